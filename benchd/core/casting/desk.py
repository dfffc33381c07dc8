"""What becomes of a mark?  Takes marks and switch presses, moves pours by them, takes the last one back.

A mark is taken once: a seen id is refused.  One that is too old is refused.  Within 10 s the last mix, poured or
demolded can be undone.  A mark may have an answer to hear (`say`): why not to leave yet, a word to test the phone with.
"""

from __future__ import annotations

from collections import deque
from collections.abc import Sequence
from dataclasses import dataclass, field, replace

from benchd.core.casting import marks
from benchd.core.casting.books import Books
from benchd.core.casting.leaving import leave, noted
from benchd.core.casting.pour import Pour, PourBook
from benchd.core.model import MOST_MOLDS, PRESS_IDS, BatchWeighed, CupReacting, Finding, LoadOpened, Mark
from benchd.core.units import number_words
from benchd.errors import MarkRejected
from benchd.stored import stored

FREE_PHASES = ("kicked", "curing")
SEEN_IDS = 1000
PHONE_TEST = "phone test"
PHONE_TEST_SAYS = "Phone test. Press heard."
PHONE_TESTED = "phone tested"
WEIGHED_WITHIN_S = 1800.0  # A and B stand weighed out side by side at most half an hour; common practice, no source
PHONE_TEST_WITHIN_S = 120.0  # common practice, no source: long enough to walk to the phone


@dataclass(frozen=True, slots=True)
class Taken:
    """A mark as understood, what it changed, and what was assumed."""

    mark: Mark
    findings: Sequence[Finding] = ()
    why: str = ""
    say: str = ""


def is_at_bench(mark: Mark) -> bool:
    """Did the switch or the console's own socket see it?  The doors see to it that nothing else is called so."""
    return mark.by in ("switch", "cli") or mark.by.startswith("cli:")


@stored("desk")
@dataclass(slots=True)
class Desk:
    """Marks taken so far (their ids), the last one that can be undone, and the count of presses."""

    _seen: deque[str] = field(default_factory=lambda: deque(maxlen=SEEN_IDS))
    _last: Mark | None = None
    _presses: int = 0
    _phone_test_t: float | None = None
    _weighed: BatchWeighed | None = None

    def pressed(self, press: str, t: float, pours: PourBook) -> Mark:
        """The mark a switch press means now."""
        self._presses += 1
        return Mark(t=t, verb=marks.press_verb(press, pours), id=f"{PRESS_IDS}{self._presses}-{int(t)}", by="switch")

    def take(self, mark: Mark, books: Books) -> Taken:
        """Act on one mark.  Raises MarkRejected saying why it cannot be taken."""
        mark = marks.lowered(mark)
        marks.check_words(mark)
        if mark.id and mark.id in self._seen:
            raise MarkRejected("this mark was taken already")
        if mark.id:
            self._seen.append(mark.id)
        taken = self._act(mark, books)
        if mark.verb in marks.UNDOABLE:
            self._last = taken.mark
        return taken

    def _act(self, mark: Mark, books: Books) -> Taken:
        match mark.verb:
            case "mix":
                return self._mix(mark, books)
            case "poured":
                return self._poured(mark, books)
            case "demolded":
                return self._demolded(mark, books)
            case "kicked":
                pour = marks.resolve_pour(mark, [p for p in books.pours if p.kicked_t is None])
                return Taken(replace(mark, cup=pour.cup, pour=pour.id))
            case "end":
                pour = marks.resolve_pour(mark, list(books.pours))
                return Taken(mark, [books.pours.end(pour, "marked", books.bench.id, books.now)])
            case "shut" | "topup" | "dumped":
                return Taken(replace(mark, pot=marks.resolve_pot(mark, books.bench, books.loads)))
            case "undo":
                return self._undo(mark, books)
            case "leaving":
                answer = leave(books)
                return Taken(mark, why=answer.why, say=answer.said)
            case "note":
                return self._note(mark, books)
            case "heard":
                return self._heard(mark, books)
        return Taken(mark)

    def _note(self, mark: Mark, books: Books) -> Taken:
        """Keep what a note vouches for; the note "phone test" is said aloud, and the phone's `heard` answers it."""
        for what in noted(mark.text):
            books.noted[what] = books.now
        if (mark.text or "").strip().lower() != PHONE_TEST:
            return Taken(mark)
        if books.is_mid_pour():
            raise MarkRejected("no phone test from mix to pressure")
        self._phone_test_t = books.now
        return Taken(mark, why="said; press heard on the phone", say=PHONE_TEST_SAYS)

    def _heard(self, mark: Mark, books: Books) -> Taken:
        """A `heard` that came from elsewhere than the bench itself, soon after a test, proves that phone."""
        asked_t = self._phone_test_t
        if asked_t is None or is_at_bench(mark) or books.now - asked_t > PHONE_TEST_WITHIN_S:
            return Taken(mark)
        self._phone_test_t, books.noted["phone"] = None, books.now
        return Taken(mark, why=PHONE_TESTED)

    def _mix(self, mark: Mark, books: Books) -> Taken:
        """A mix that names no molds takes the run sheet's next load, if there is one; then the cup may be running."""
        sheet_load = None if mark.molds else books.sheet.next_load(books.now)
        resolved, assumed = marks.resolve_mix(mark, books.bench, books.pours, sheet_load)
        bench, open_pour = books.bench.id, books.pours.on_cup(resolved.cup)
        if open_pour is not None and open_pour.phase not in FREE_PHASES:
            if not open_pour.inferred and mark.molds == () and mark.lot is None and mark.a_g is None:
                raise MarkRejected(f"the mix clock of {open_pour.cup} already runs; mark `end` first")
            if open_pour.molds and not mark.molds:  # it knows its molds: the sheet's next load is another one's
                resolved, assumed = marks.resolve_mix(mark, books.bench, books.pours)
            told = books.pours.revise(open_pour, resolved, bench)
            return Taken(resolved, self._on_sheet(told, books), "joins the open pour")
        resolved, assumed = self._with_weights(mark, resolved, assumed, books)
        findings = books.pours.start(resolved, bench, books.day, inferred=False, assumed=assumed)
        pour = list(books.pours)[-1]
        pour.load = books.loads.join(pour.pot, pour.id)
        said = f"Load {number_words(sheet_load.number)}." if sheet_load and mark.by == "switch" else ""
        return Taken(resolved, self._on_sheet(findings, books), f"assumed {assumed}" if assumed else "", said)

    def _with_weights(self, mark: Mark, resolved: Mark, assumed: str, books: Books) -> tuple[Mark, str]:
        """A mix whose mark gives no weights takes those that stand on the scale, if they were weighed just now."""
        weighed, books.weighed = books.weighed, None
        self._weighed = weighed
        if weighed is None or mark.a_g is not None or mark.b_g is not None or books.now - weighed.t > WEIGHED_WITHIN_S:
            return resolved, assumed
        told = f"{assumed}, the scale's weights" if assumed else "the scale's weights"
        return replace(resolved, a_g=weighed.a_g, b_g=weighed.b_g), told

    @staticmethod
    def _on_sheet(findings: list[Finding], books: Books) -> list[Finding]:
        """The findings, once the run sheet has seen which of its loads they take or give back."""
        for finding in findings:
            books.sheet.see(finding)
        return findings

    def infer(self, evidence: CupReacting, books: Books) -> list[Finding]:
        """Open a pour nobody marked, from a cup that heats itself."""
        cup = evidence.subject.cup
        open_pour = books.pours.on_cup(cup)
        if cup is None or (open_pour is not None and open_pour.phase not in FREE_PHASES):
            return []
        pots = books.bench.pots
        mark = Mark(
            t=evidence.mix_t, verb="mix", cup=cup, pot=pots[0].id if len(pots) == 1 else None,
            lot=books.pours.last_lot, by="inferred",
        )  # fmt: skip
        started = books.pours.start(mark, books.bench.id, books.day, True, "inferred from the cup")
        pour = list(books.pours)[-1]
        pour.load = books.loads.join(pour.pot, pour.id)
        return [replace(f, t=books.now) for f in started]

    def _poured(self, mark: Mark, books: Books) -> Taken:
        """A press means the next mold in pouring order; a mark without a mold from elsewhere means all that wait."""
        pour = marks.resolve_pour(mark, marks.still_pouring(books.pours))
        if mark.by == "switch" and pour.molds:
            mark = replace(mark, mold=next(m for m in pour.molds if m not in pour.poured))
        if mark.mold is not None and mark.mold not in pour.poured and len(pour.poured) >= MOST_MOLDS:
            raise MarkRejected(f"{MOST_MOLDS} molds are poured already, no mix fills more; mark the next mix")
        findings = books.pours.poured(pour, mark.mold, books.bench.id, books.now)
        return Taken(replace(mark, cup=pour.cup, pour=pour.id, pot=pour.pot), findings)

    def _demolded(self, mark: Mark, books: Books) -> Taken:
        if mark.mold is None:
            raise MarkRejected("demolded: say which mold")
        pour = marks.resolve_pour(mark, [p for p in books.pours if mark.mold in p.molds])
        pour.demolded[mark.mold] = books.now
        mark = replace(mark, cup=pour.cup, pour=pour.id, pot=pour.pot, load=pour.load)
        return Taken(mark, self._end_if_empty(pour, books))

    @staticmethod
    def _end_if_empty(pour: Pour, books: Books) -> list[Finding]:
        load = books.loads.of(pour.pot)
        still_closed = load is not None and load.id == pour.load
        if not pour.molds or still_closed or any(m not in pour.demolded for m in pour.molds):
            return []
        return [books.pours.end(pour, "demolded", books.bench.id, books.now)]

    def close_emptied(self, opened: LoadOpened, books: Books) -> list[Finding]:
        """When a load is opened, the pours all of whose molds were demolded already are over."""
        pours = [p for p in list(books.pours) if p.id in opened.pours]
        return [f for p in pours for f in self._end_if_empty(p, books)]

    def _undo(self, mark: Mark, books: Books) -> Taken:
        last = self._last
        if last is None or books.now - last.t > marks.UNDO_WITHIN_S:
            raise MarkRejected("nothing to take back in the last ten seconds")
        self._last = None
        pour = books.pours.open.get(last.pour or "") or books.pours.on_cup(last.cup)
        if pour is None:
            raise MarkRejected(f"the pour of that {last.verb} is over")
        bench = books.bench.id
        if last.verb == "mix":
            ended = [books.pours.end(pour, "undone", bench, books.now)]
            books.weighed, self._weighed = self._weighed, None
            return Taken(mark, self._on_sheet(ended, books), "mix taken back")
        if last.verb == "poured":
            undone = [last.mold] if last.mold else [m for m, t in pour.poured.items() if t == last.t]
            pour.poured = {m: t for m, t in pour.poured.items() if m not in undone}
            pour.pouring_done = False
            pour.phase = "pouring" if pour.poured else "mixing"
        elif last.mold is not None:
            pour.demolded.pop(last.mold, None)
        return Taken(mark, [books.pours.revised(pour, bench, books.now)], f"{last.verb} taken back")
