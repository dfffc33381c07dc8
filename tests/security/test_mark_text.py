"""May a mark hold text that commands a terminal, or more molds than a mix has?  At each door and in the engine."""

from __future__ import annotations

import json
from dataclasses import replace
from pathlib import Path

import pytest
from asgi_ask import ask
from recordings_by_hand import BENCH, START_T, context, write

from benchd import cli
from benchd.core.bench import Mold
from benchd.core.engine import Engine
from benchd.core.format.mark_form import mark_from_outside
from benchd.core.format.record import from_record, to_json
from benchd.core.model import MOST_MOLDS, Context, Mark, MarkAnswer
from benchd.core.model.day import DaySheet, SheetLoad
from benchd.errors import DecodeError
from benchd.page.api import Api
from benchd.plugins import watcher_plan
from benchd.runtime.bulletin import Bulletin
from benchd.runtime.clock import BenchClock
from benchd.runtime.contracts import Health
from benchd.runtime.mqtt.marks import MarkIntake, Refusal

# the controls of ECMA-48 and the overrides of UAX 9, a line feed and half a pair among them
NASTY = ["\x1b[2J", "\x07", "\n", "\r", "\x7f", "\x9b", "\u202e", "\u2066", "\u2028", "\ud800", "\x00"]
KEYS = ["by", "cup", "pot", "mold", "pour", "load", "lot", "code", "feel", "grade", "cause", "text"]
PLAIN = "Zoë's naïve \U0001f469\u200d\U0001f527 note, ש\u200fלום"


def taken(body: dict[str, object]) -> Mark | Refusal:
    """What the door for MQTT marks says."""
    return MarkIntake(lambda: START_T, "north", "b1").take("note", json.dumps(body).encode())


@pytest.mark.parametrize("sign", NASTY, ids=ascii)
@pytest.mark.parametrize("key", KEYS)
def test_a_mark_with_a_control_in_it_is_refused_at_the_broker(key: str, sign: str) -> None:
    """The reason names the key, and itself holds nothing that commands a terminal."""
    refusal = taken({key: f"a{sign}b"})
    assert isinstance(refusal, Refusal)
    assert f"{key} holds U+{ord(sign[0]):04X}" in refusal.why
    assert refusal.why.isprintable()


def test_a_mold_with_a_control_in_it_is_refused() -> None:
    """A list of molds is text too."""
    refusal = taken({"molds": ["m01", "m\u202e02"]})
    assert isinstance(refusal, Refusal)
    assert "molds holds U+202E" in refusal.why


def test_a_note_in_any_script_is_taken() -> None:
    """Accents, emoji and their joiners, scripts from right to left: all of that is a note."""
    mark = taken({"text": PLAIN})
    assert isinstance(mark, Mark)
    assert mark.text == PLAIN


@pytest.mark.parametrize("body", [{"text": "a\x1b[2J"}, {"text": "a\nb"}, {"by": "\u202e"}, {"molds": ["m"] * 660}])
async def test_a_mark_is_refused_at_the_page_and_the_socket(body: dict[str, object]) -> None:
    """Answered 400 with the reason; nothing reaches the engine."""
    submitted: list[Mark] = []
    api = Api(BenchClock(), Bulletin(), Health(), submitted.append, dict, lambda: 0.0)
    sent = json.dumps({"verb": "mix", **body}).encode()
    answer = await ask(api.app(), "POST", "/api/v0/marks", {"content-type": "application/json"}, sent)
    assert answer.status == 400
    assert next(iter(body)) in json.loads(answer.body)["why"]
    assert submitted == []


def test_a_typed_mark_is_refused_before_it_is_sent(capsys: pytest.CaptureFixture[str]) -> None:
    """Wrong usage: exit code 2, no daemon asked."""
    with pytest.raises(SystemExit) as caught:
        cli.main(["mark", "note", "text=a\x1b[2Jb"])
    assert caught.value.code == 2
    assert "text holds U+001B" in capsys.readouterr().err


def test_a_recording_with_a_control_in_a_note_still_replays(tmp_path: Path) -> None:
    """What was taken before stays as it was: only the doors refuse."""
    mark = {"t": START_T + 1, "mark": {"verb": "note", "id": "m1", "text": "two\nlines"}}
    engine = Engine(watcher_plan)
    engine.step(from_record(json.loads(context())))
    answers = [e for e in engine.step(from_record(mark)) if isinstance(e, MarkAnswer)]
    assert [answer.ok for answer in answers] == [True]


# ------------------------------------------------------------------------------------------------- too many molds

CODES = tuple(f"m{number:03d}" for number in range(660))
MANY = replace(
    BENCH,
    molds=tuple(Mold(id=c, code=c, name=c, cavity_ml=20.0, thin_mm=4.0, thick_mm=8.0) for c in CODES),
)  # fmt: skip


def mixed(molds: tuple[str, ...], sheet: DaySheet | None = None) -> MarkAnswer:
    """The engine's answer to a mix of these molds, on a bench whose shelf has them all."""
    engine = Engine(watcher_plan)
    start = from_record(json.loads(context(bench=MANY)))
    assert isinstance(start, Context)
    engine.step(start)
    engine.step(sheet or DaySheet(START_T))
    effects = engine.step(from_record(json.loads(to_json(Mark(t=START_T + 1, verb="mix", id="m1", molds=molds)))))
    (answer,) = [e for e in effects if isinstance(e, MarkAnswer)]
    assert bool(list(engine.books.pours)) == answer.ok
    return answer


def test_more_molds_than_a_pot_holds_are_refused_in_a_recording_too() -> None:
    """The answer says how many, how many at most, and what to do; no pour begins."""
    answer = mixed(CODES)
    assert not answer.ok
    assert answer.why == f"660 molds in one mix are too many, at most {MOST_MOLDS}; mark each cup's own"
    assert mixed(CODES[:MOST_MOLDS]).ok


def test_a_sheet_with_too_many_molds_is_refused_as_well() -> None:
    """A bare mix takes the sheet's next load, and with it its molds."""
    answer = mixed((), DaySheet(START_T, "s1", START_T, (SheetLoad(1, CODES[: MOST_MOLDS + 1]),)))
    assert not answer.ok
    assert "33 molds in one mix" in answer.why


def test_more_molds_than_a_pot_holds_are_refused_at_the_broker() -> None:
    """At the door, before the journal."""
    refusal = taken({"molds": ["m01"] * (MOST_MOLDS + 1)})
    assert isinstance(refusal, Refusal)
    assert "33 molds in one mix" in refusal.why


def test_a_recording_of_too_many_molds_is_replayed_to_its_end(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """The refused mark is one input of many."""
    mark = {"t": START_T + 1, "mark": {"verb": "mix", "id": "m1", "molds": list(CODES)}}
    status = {"t": START_T + 2, "status": {"source": "board", "up": False}}
    path = write(tmp_path / "a.jsonl", [context(bench=MANY), json.dumps(mark), json.dumps(status)])
    assert cli.main(["replay", str(path)]) == 0
    told = capsys.readouterr()
    assert "pour_started" not in told.out
    assert "bench_notice" in told.out


def test_an_id_of_the_foot_switchs_own_kind_is_refused_at_the_doors() -> None:
    """A stranger could use up the next press's id beforehand: the press was then refused as taken already."""
    with pytest.raises(DecodeError, match="id begins with switch-"):
        mark_from_outside(START_T, {"verb": "note", "text": "x", "id": f"switch-1-{int(START_T)}"})
    assert mark_from_outside(START_T, {"verb": "note", "text": "x", "id": "page-1"}).id == "page-1"
