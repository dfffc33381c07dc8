"""`benchd lines`: are readings drawn truly on a terminal, and plainly elsewhere?"""

from __future__ import annotations

import io
import os
from pathlib import Path

import pytest

from benchd import cli
from benchd.commands.lines import BLOCKS, WIDTH, Row, Screen, plot, said
from benchd.rehearsal import load_scenario
from benchd.rehearsal.pty_board import PtyBoard


class Terminal(io.StringIO):
    def isatty(self) -> bool:
        return True


@pytest.mark.parametrize(
    ("values", "expected"),
    [
        ([0, 1, 2, 3, 4, 5, 6, 7], BLOCKS),
        ([5.0, 5.0, 5.0], BLOCKS[3] * 3),
        ([1.0, None, 2.0], f"{BLOCKS[0]} {BLOCKS[7]}"),
        ([None, None], "  "),
        ([], ""),
    ],
)
def test_a_plot_goes_from_the_least_to_the_greatest(values: list[float | None], expected: str) -> None:
    assert plot(values) == expected


def test_a_value_shows_its_unit_and_what_is_wrong_with_it() -> None:
    row = Row("kPa")
    row.values.append(289.5812)
    assert said(row) == "289.58 kPa"
    row.values.append(None)
    row.quality = "fault"
    assert said(row) == "blind (fault)"


def test_on_a_terminal_the_table_renews_itself_in_place(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setenv("TERM", "xterm")
    monkeypatch.delenv("NO_COLOR", raising=False)
    out = Terminal()
    screen = Screen(out)
    for t in range(WIDTH + 10):
        screen.take("cup", t, 20.0 + t, "C", "good")
        screen.take("evil\x1b[2J", t, None, "C", "fault")
        screen.show("Bench")
    last = out.getvalue().split("\x1b[3A")[-1]
    assert out.getvalue().count("\x1b[3A") == WIDTH + 9
    assert f"{20.0 + WIDTH + 9} C" in last
    assert len([c for c in last if c in BLOCKS]) == WIDTH
    assert "\x1b[2J" not in last
    assert "\x1b[36m" in last
    assert "\x1b[33m" in last


@pytest.mark.parametrize(("name", "value"), [("NO_COLOR", "1"), ("TERM", "dumb")])
def test_no_colour_where_none_is_wanted(monkeypatch: pytest.MonkeyPatch, name: str, value: str) -> None:
    monkeypatch.setenv("TERM", "xterm")
    monkeypatch.setenv(name, value)
    out = Terminal()
    screen = Screen(out)
    screen.take("cup", 1.0, 20.0, "C", "good")
    screen.show("Bench")
    assert "\x1b[3" not in out.getvalue()
    assert ("\x1b" in out.getvalue()) == (name == "NO_COLOR")


def test_elsewhere_each_new_reading_is_one_plain_line() -> None:
    out = io.StringIO()
    screen = Screen(out)
    for t, value in ((1.0, 20.0), (1.0, 20.0), (2.0, 20.5)):
        screen.take("cup", t, value, "C", "good")
        screen.show("Bench")
    assert out.getvalue() == "cup 20.0 C\ncup 20.5 C\n"


def test_a_port_is_heard_without_a_daemon(capsys: pytest.CaptureFixture[str]) -> None:
    with PtyBoard(load_scenario("load-1"), 5.0) as board:
        assert cli.main(["lines", "--port", board.port, "--for", "1.5"]) == 0
    lines = capsys.readouterr().out.splitlines()
    assert {"b1-cup", "b1-pot", "b1-room", "b1-rh"} <= {line.split()[0] for line in lines}
    assert any(line.startswith("b1-rh ") and line.endswith(" %RH") for line in lines)


def test_a_silent_port_and_no_daemon_are_told(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    master, slave = os.openpty()
    assert cli.main(["lines", "--port", os.ttyname(slave), "--for", "0.3"]) == 1
    assert "nothing was heard" in capsys.readouterr().err
    os.close(master)
    os.close(slave)
    monkeypatch.setenv("RUNTIME_DIRECTORY", str(tmp_path))
    monkeypatch.setattr("benchd.runtime.http.local_client.SYSTEM_SOCKET", tmp_path / "none")
    monkeypatch.setattr("benchd.commands.lines.WAIT_S", 0.0)
    assert cli.main(["lines", "--for", "1"]) == 1
    assert "benchd is not running" in capsys.readouterr().err
