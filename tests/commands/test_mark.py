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
    assert cli.main(["mark", "--json", *typed]) == 0
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
    assert capsys.readouterr() == ("", "Not taken: poured: several pours are open: cup-1-3, cup-2-9.\n")


SLIPS = [
    (["mux"], 'no mark "mux"; did you mean "mix"?'),
    (["mix", "cups=cup-1"], 'no key "cups"; did you mean "cup"?'),
    (["mix", "a_g=lots"], 'a_g: "lots" is not a mass; write a number and a unit, for example "25 g"'),
    (["mix", "a_g=159,5"], 'write "159.5"'),
    (["mix", "mold_c=20 psi"], '"psi" is no unit of temperature'),
    (["mix", "a_g=nan"], 'a_g: "nan" is not a mass'),
    (["demolded", "mold=M02", "feel=soft"], 'no feel "soft"; known: green, hard, hot, rubbery, stuck'),
    (["mix", "cup=a", "--cup", "b"], '"cup" is given twice'),
    (["mix", "--cup"], '"--cup" has no value; write cup=VALUE'),
    (["repeat", "twice"], 'repeat takes no word like "twice"'),
    (["shut", "barrel", "kettle"], 'shut takes one pot, not "barrel kettle"'),
    (["demolded", "M02", "hard", "green"], '"hard" and "green" are both a feel'),
    (["demolded", "M02", "hrad"], '"hrad" is no mold, feel, grade or cause; did you mean "hard"?'),
    (["demolded", "M02", "mold=M03"], "mold is given already"),
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


@pytest.mark.parametrize(
    ("typed", "bodies"),
    [
        (["demolded", "M02", "hard", "good"], [{"mold": "M02", "feel": "hard", "grade": "good"}]),
        (["demolded", "good", "M02", "cause=trap"], [{"mold": "M02", "grade": "good", "cause": "trap"}]),
        (["demolded", "M02,M03", "Green"], [{"mold": "M02", "feel": "green"}, {"mold": "M03", "feel": "green"}]),
        (["poured", "M02"], [{"mold": "M02"}]),
        (["poured", "M02", "M03"], [{"mold": "M02"}, {"mold": "M03"}]),
        (["mix", "M02,M03", "R-07", "a_g=159 g", "b_g=0.1435 kg"],
         [{"molds": ["M02", "M03"], "lot": "R-07", "a_g": 159.0, "b_g": 143.5}]),
        (["mix", "--a-g", "159", "g", "mold_c=95F"], [{"a_g": 159.0, "mold_c": 35.0}]),
        (["heard", "pot-creeping", "shelve_s=10 min"], [{"code": "pot-creeping", "shelve_s": 600.0}]),
        (["shut", "Barrel"], [{"pot": "barrel"}]), (["note", "tank", "drained"], [{"text": "tank drained"}]),
        (["end"], [{}]),
    ],
)  # fmt: skip
def test_a_mark_is_typed_as_it_is_said(
    typed: list[str], bodies: list[dict[str, Any]], monkeypatch: pytest.MonkeyPatch
) -> None:
    """95 F is 35 C (NIST SP 811)."""
    monkeypatch.setattr(mark, "_user", lambda: "caster")
    made = mark.mark_bodies(typed[0], typed[1:], lambda: ["R-07", "R-05"])
    expected = [{"verb": typed[0], **body, "by": "cli:caster"} for body in bodies]
    assert made == [{k: pytest.approx(v) if isinstance(v, float) else v for k, v in one.items()} for one in expected]


def test_the_answer_is_a_sentence(monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]) -> None:
    answer = {
        "id": "7",
        "ok": True,
        "why": "assumed witness cup, Barrel",
        "unsaved": True,
        "unsaved_why": "disk full",
    }
    Daemon(monkeypatch, answer)
    assert cli.main(["mark", "mix", "molds=m02,m03", "lot=r-07", "a_g=159.5 g"]) == 0
    assert capsys.readouterr() == (
        "Taken: mix M02 M03, lot R-07, A 159.5 g. Assumed witness cup, Barrel.\n",
        "Not in the log yet: disk full.\n",
    )


def test_json_and_c_may_follow_the_verb(
    tmp_path: Any, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    Daemon(monkeypatch, {"id": "7", "ok": True, "why": ""})
    assert cli.main(["mark", "demolded", "M02", "hard", "--json"]) == 0
    assert json.loads(capsys.readouterr().out) == {"id": "7", "ok": True, "why": ""}
    assert cli.main(["mark", "poured", "M02", "-c", str(tmp_path / "b.toml")]) == 0
    assert capsys.readouterr().out == "Taken: poured M02.\n"
