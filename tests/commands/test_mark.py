"""`benchd mark`: what is typed becomes the mark's body, and a slip is told before anything is sent."""

from __future__ import annotations

import json
from typing import Any

import pytest

from benchd import cli
from benchd.commands import mark


class Daemon:
    """What the daemon would answer, and what it was asked."""

    def __init__(self, monkeypatch: pytest.MonkeyPatch, answer: dict[str, Any], status: int = 200) -> None:
        self.asked: list[tuple[str, str, dict[str, Any]]] = []

        def ask(method: str, route: str, body: dict[str, Any]) -> tuple[int, dict[str, Any]]:
            self.asked.append((method, route, body))
            return status, answer

        monkeypatch.setattr(mark, "ask", ask)


@pytest.mark.parametrize(
    "typed",
    [
        ["mix", "cup=cup-1", "lot=R-07", "molds=M02,M03", "a_g=159.5", "b_g=143.5"],
        ["mix", "--cup", "cup-1", "--lot=R-07", "--molds", "M02", "M03", "--a-g", "159.5", "--b-g=143.5"],
        ["mix", "--molds", "M02,M03", "--cup=cup-1", "lot=R-07", "a-g=159.5", "b-g=143.5"],
        ["mix", "lot=R-07", "--molds", "M02", "M03", "cup=cup-1", "--a-g", "159.5", "b_g=143.5"],
    ],
)
def test_every_way_of_typing_gives_the_same_mark(
    typed: list[str], monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    daemon = Daemon(monkeypatch, {"id": "7", "ok": True, "why": "", "more": 1})
    monkeypatch.setattr(mark, "_user", lambda: "caster")
    assert cli.main(["mark", *typed]) == 0
    body = {
        "verb": "mix", "cup": "cup-1", "lot": "R-07", "molds": ["M02", "M03"], "a_g": 159.5, "b_g": 143.5,
        "by": "cli:caster",
    }  # fmt: skip
    assert daemon.asked == [("POST", "/api/v0/marks", body)]
    assert capsys.readouterr().out == '{"id":"7","ok":true,"why":""}\n'


def test_a_refused_mark_is_one_with_the_reason(
    monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    Daemon(monkeypatch, {"ok": False, "why": "several pours are open: cup-1-3, cup-2-9"}, 409)
    assert cli.main(["mark", "poured"]) == 1
    assert json.loads(capsys.readouterr().out) == {
        "id": None,
        "ok": False,
        "why": "several pours are open: cup-1-3, cup-2-9",
    }


SLIPS = [
    (["mux"], 'no mark "mux"; did you mean "mix"?'),
    (["mix", "cups=cup-1"], 'no key "cups"; did you mean "cup"?'),
    (["mix", "cup"], '"cup" is not KEY=VALUE'),
    (["mix", "a_g=lots"], 'a_g="lots" is not a number of grams'),
    (["mix", "a_g=nan"], "a_g is out of range"),
    (["demolded", "mold=M02", "feel=soft"], "is not one of rubbery, green, hard, hot, stuck"),
    (["mix", "cup=a", "--cup", "b"], '"cup" is given twice'),
    (["mix", "--cup"], '"--cup" is not KEY=VALUE'),
    (["note", f"text={'x' * 501}"], "text must be a short text"),
]


@pytest.mark.parametrize(("typed", "told"), SLIPS)
def test_a_slip_is_told_and_nothing_sent(
    typed: list[str], told: str, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    daemon = Daemon(monkeypatch, {"ok": True})
    with pytest.raises(SystemExit) as caught:
        cli.main(["mark", *typed])
    assert caught.value.code == 2
    assert told in " ".join(capsys.readouterr().err.split())
    assert daemon.asked == []


def test_help_after_the_verb_is_help(monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]) -> None:
    daemon = Daemon(monkeypatch, {"ok": True})
    assert cli.main(["mark", "mix", "--help"]) == 0
    assert "example: benchd mark" in capsys.readouterr().out
    assert daemon.asked == []


def test_without_a_daemon_it_says_so(
    monkeypatch: pytest.MonkeyPatch, tmp_path: Any, capsys: pytest.CaptureFixture[str]
) -> None:
    monkeypatch.setenv("RUNTIME_DIRECTORY", str(tmp_path))
    assert cli.main(["mark", "repeat"]) == 1
    assert (
        f"benchd is not running: nothing answers at {tmp_path}/benchd.sock; start it with: benchd run"
        in capsys.readouterr().err
    )
