"""`benchd check`: what is watched and what is not, and whether real ports and brokers answer."""

from __future__ import annotations

import os
import shutil
import socket
from collections.abc import Iterator
from pathlib import Path

import pytest
from mosquitto import Mosquitto, free_port, needs_mosquitto
from of_kind import as_kind

from benchd import cli
from benchd.commands import check
from benchd.commands.check import coverage
from benchd.outlets.mqtt import Settings as MqttSettings
from benchd.plugins import load_settings
from benchd.sources.serial_lines import Settings as SerialSettings

CONFIG = Path(__file__).parents[2] / "config"


class Home:
    """A copy of config/ whose port is a pseudo-terminal and whose journal lies beside it."""

    def __init__(self, folder: Path, port: str, broker: int) -> None:
        self.bench = folder / "bench.toml"
        shutil.copytree(CONFIG, folder, dirs_exist_ok=True)
        self.change("/dev/ttyACM0", port).change("port = 1883", f"port = {broker}")
        self.add('\n[journal]\npath = "journal.db"\n')

    def change(self, old: str, new: str) -> Home:
        text = self.bench.read_text()
        assert old in text
        self.bench.write_text(text.replace(old, new))
        return self

    def add(self, text: str) -> Home:
        self.bench.write_text(self.bench.read_text() + text)
        return self

    def coverage(self) -> tuple[str, str]:
        watched, unwatched = coverage(load_settings(self.bench))
        return "\n".join(watched), "\n".join(unwatched)


@pytest.fixture
def pty_port() -> Iterator[str]:
    board, port = os.openpty()
    yield os.ttyname(port)
    os.close(board)
    os.close(port)


@pytest.fixture(autouse=True)
def _no_board_speaks(monkeypatch: pytest.MonkeyPatch) -> None:
    """The pseudo-terminal's board is silent: nobody need wait for its full scale (test_check_full_scale.py)."""
    monkeypatch.setattr(check, "BOARD_WITHIN_S", 0.05)


@pytest.fixture
def home(tmp_path: Path, pty_port: str) -> Home:
    return Home(tmp_path / "home", pty_port, free_port())


def checked(home: Home, capsys: pytest.CaptureFixture[str], *more: str) -> tuple[int, dict[str, list[str]]]:
    """(exit code, lines by section)."""
    code = cli.main(["check", "-c", str(home.bench), *more])
    said = capsys.readouterr()
    assert said.err == ""
    sections: dict[str, list[str]] = {}
    for block in said.out.split("\n\n"):
        title, *lines = block.strip().splitlines()
        sections[title.partition(" (")[0]] = [line.strip() for line in lines]
    return code, sections


@needs_mosquitto
def test_a_whole_bench_answers(home: Home, tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    folder = tmp_path / "broker"
    folder.mkdir()
    broker = Mosquitto(folder).start()
    try:
        home.change(str(home.bench.read_text().split("[mqtt]")[1].split("port = ")[1].split()[0]), str(broker.port))
        code, sections = checked(home, capsys)
    finally:
        broker.stop()
    assert code == 0
    tried = sections["Tried"]
    assert [line.split(": ")[0] for line in tried] == ["board", "mqtt", "journal"]
    assert tried[0].endswith(": answers")
    assert tried[1] == f"mqtt: 127.0.0.1:{broker.port}: takes what is published and brings it back"
    size = "at four loads a day, expect some 165 MB after a year and 825 after five"
    assert tried[2] == f"journal: {home.bench.parent}/journal.db: can be written; {size}"


@needs_mosquitto
def test_a_broker_that_refuses_us_is_told(home: Home, tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    folder = tmp_path / "broker"
    folder.mkdir()
    (folder / "users").write_text("")
    broker = Mosquitto(folder, "password_file {folder}/users", anonymous=False).start()
    try:
        home.change(str(home.bench.read_text().split("[mqtt]")[1].split("port = ")[1].split()[0]), str(broker.port))
        code, sections = checked(home, capsys)
    finally:
        broker.stop()
    assert code == 1
    assert "not authorized" in sections["Tried"][1].lower()


def test_a_port_and_a_broker_that_are_not_there_are_told(home: Home, capsys: pytest.CaptureFixture[str]) -> None:
    home.change(as_kind(SerialSettings, load_settings(home.bench).sources["board"]).port, "/dev/ttyNONE")
    code, sections = checked(home, capsys)
    assert code == 1
    assert sections["Tried"][0].startswith("board: /dev/ttyNONE: no such port.")
    assert "refused" in sections["Tried"][1]


def test_a_port_another_program_holds_is_told(home: Home, pty_port: str, capsys: pytest.CaptureFixture[str]) -> None:
    import serial

    with serial.Serial(pty_port, exclusive=True):
        _, sections = checked(home, capsys)
    assert "taken by another program" in sections["Tried"][0]


def test_a_port_that_this_running_bench_holds_is_no_trouble(
    home: Home, pty_port: str, capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    import serial

    monkeypatch.setattr(check, "running_config", lambda: home.bench)
    with serial.Serial(pty_port, exclusive=True):
        _, sections = checked(home, capsys)
    assert sections["Tried"][0] == f"board: {pty_port}: open, by this running bench"


def test_a_broker_that_never_answers_is_given_up(
    home: Home, capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr("benchd.commands.check.probe.CONNECT_WITHIN_S", 0.3)
    with socket.create_server(("127.0.0.1", 0)) as deaf:
        home.change(
            str(as_kind(MqttSettings, load_settings(home.bench).outlets["mqtt"]).port), str(deaf.getsockname()[1])
        )
        code, sections = checked(home, capsys)
    assert code == 1
    assert sections["Tried"][1].endswith(": no answer within 0 s")


def test_files_only_tries_nothing(home: Home, capsys: pytest.CaptureFixture[str]) -> None:
    code, sections = checked(home, capsys, "--files-only")
    assert code == 0
    assert "Tried" not in sections


def test_the_studio_is_watched_and_what_is_not_is_said(home: Home, capsys: pytest.CaptureFixture[str]) -> None:
    _, sections = checked(home, capsys, "--files-only")
    head = next(iter(sections))
    assert head == "North bench"
    watched, unwatched = "\n".join(sections["Watched"]), "\n".join(sections["Not watched"])
    assert "Barrel: pressure (barrel-pressure), target 42 psi, floor 35 psi, alarm above 54 psi" in watched
    assert "witness cup: the kick (cup-1-temperature)" in watched
    assert "the room: damp air" in watched
    assert "the tank: wet air" in watched
    for never in ("mold temperatures", "relief valve", "the air you breathe"):
        assert never in unwatched
    assert "Cautions" not in sections


def channel(senml: str, text: str) -> str:
    """The [[channel]] table of config/bench.toml that reads this name."""
    blocks = text.split("[[channel]]")
    return next("[[channel]]" + b.split("# ---")[0] for b in blocks if f'senml = "{senml}"' in b)


UNWATCHED = [
    ("b1-pot", "Barrel: it has no gauge here"),
    ("b1-cup", "witness cup: it has no probe here"),
    ("b1-rh", "the room: humidity not measured"),
    ("b1-tankt", 'wet air is only "possible"'),
]


@pytest.mark.parametrize(("senml", "says"), UNWATCHED)
def test_a_missing_probe_is_said(home: Home, senml: str, says: str) -> None:
    before = home.coverage()[1]
    home.change(channel(senml, home.bench.read_text()), "")
    assert says not in before
    assert says in home.coverage()[1]


def test_a_bench_that_goes_by_arrivals_is_advised(home: Home) -> None:
    assert "arrival" not in home.coverage()[1]
    home.change('kind = "serial_lines"', 'kind = "serial_lines"\nclock = "arrival"')
    assert 'the moment of what board measures: clock = "arrival"; leave it out' in home.coverage()[1]


def test_no_broker_no_checksum_and_no_label_are_said(home: Home) -> None:
    text = home.bench.read_text()
    home.change(text[text.index("[mqtt]") : text.index("# ----", text.index("[mqtt]"))], "")
    home.change('kind = "serial_lines"', 'kind = "serial_lines"\ncrc = "none"').change(
        'default_resin = "fast-white"', ""
    )
    unwatched = home.coverage()[1]
    assert "your phone: no [mqtt] broker" in unwatched
    assert "damage to the lines of board" in unwatched
    assert "no label for a pour without a lot" in unwatched


def test_a_mold_with_a_probe_is_watched(home: Home) -> None:
    probe = '\n[[channel]]\nsource = "board"\nsenml = "b1-m1"\nrole = "mold_temperature"\nof = "M01"\n'
    watched, unwatched = home.add(probe).coverage()
    assert "M01 Lantern Keeper torso: temperature (m01-temperature)" in watched
    assert "mold temperatures" not in unwatched


def test_cautions_are_shown_with_their_place(home: Home, capsys: pytest.CaptureFixture[str]) -> None:
    home.change('target = "42 psi"', 'target = "50 psi"')
    code, sections = checked(home, capsys, "--files-only")
    assert code == 0
    (caution,) = sections["Cautions"]
    assert f"{home.bench}:" in caution
    assert "83 % of the pot's mark" in caution


def test_no_word_of_it_says_safe_or_open(home: Home, capsys: pytest.CaptureFixture[str]) -> None:
    """benchd is no safety device and gives no leave: the only "safe" is in the sentence that says so."""
    cli.main(["check", "-c", str(home.bench)])
    words = capsys.readouterr().out.replace(str(home.bench.parent), "").lower().replace("no safety device", "")
    assert "safe" not in words
