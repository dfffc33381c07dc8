"""The desk: accepts marks and switch presses, changes pours accordingly, and undoes the last mark.

A mark is accepted once: an id seen before is refused.  So is one that is too old, and one that can't be
(core/casting/refusals.py).  The last mark of some kinds can be undone until something follows (core/casting/undo.py).
A mark may have a spoken answer (`say`): why not to leave yet, a word to test the phone with.
"""

from __future__ import annotations

from collections import deque
from dataclasses import dataclass, field, replace

from benchd.core.bench.recipe import base_of
from benchd.core.casting import afterwards, marks, undo
from benchd.core.casting.books import Books
from benchd.core.casting.checks import Checks
from benchd.core.casting.desk.notes import Notes
from benchd.core.casting.desk.prep import Prep
from benchd.core.casting.desk.taken import Taken
from benchd.core.casting.leaving import leave
from benchd.core.casting.people.hands import Lately, name_of, said_by
from benchd.core.casting.people.watch import meant_by
from benchd.core.casting.pour import Pour
from benchd.core.casting.refusals import refuse_part
from benchd.core.findings import BatchWeighed, CupReacting, Finding, LoadOpened
from benchd.core.learned.cure_belief import NO_LABEL_POT_LIFE_S
from benchd.core.model import MOST_MOLDS, PRESS_IDS, Mark
from benchd.core.units import number_words
from benchd.errors import MarkRejected
from benchd.stored import stored

FREE_PHASES = ("kicked", "curing")
SEEN_IDS = 1000
WEIGHED_WITHIN_S = 1800.0  # weighed A and B wait at most half an hour for their mix; common practice, no source


@stored("desk")
@dataclass(slots=True)
class Desk:
    """The ids of accepted marks, the last one that can be undone, and the count of presses."""

    _seen: deque[str] = field(default_factory=lambda: deque(maxlen=SEEN_IDS))
    _last: Mark | None = None
    _last_came_t: float = 0.0
    _presses: int = 0
    _weighed: BatchWeighed | None = None
    checks: Checks = field(default_factory=Checks)
    prep: Prep = field(default_factory=Prep)
    _notes: Notes = field(default_factory=Notes)
    _lately: Lately = field(default_factory=Lately)

    def pressed(
        self,
        press: str,
        t: float,
        books: Books,
        is_quiet: bool,
        beside: tuple[str | None, str | None] = (None, None),
    ) -> Mark:
        """The mark a switch press means now; beside: the cup and the pot on the switch's board, of several.

        is_quiet: nothing that was said waits to be heard.
        """
        self._presses += 1
        cup, pot = beside
        verb, code = self.checks.press(marks.press_verb(press, books.pours, cup), books, is_quiet)
        verb, code = self.prep.press(verb, code, books, is_quiet)
        id = f"{PRESS_IDS}{self._presses}-{int(t)}"
        if verb not in ("mix", "poured"):
            cup = None
        return Mark(t=t, verb=verb, id=id, by="switch", cup=cup, pot=pot if verb == "mix" else None, code=code)

    def take(self, mark: Mark, books: Books) -> Taken:
        """Act on one mark.  Raises MarkRejected saying why it cannot be accepted."""
        mark = meant_by(marks.lowered(mark))
        marks.check_words(mark)
        if mark.id and mark.id in self._seen:
            raise MarkRejected("this mark was taken already")
        if mark.id:
            self._seen.append(mark.id)
        twin = self._lately.twin(mark, books.pours)
        if twin is not None:
            return Taken(mark, why=f"counted once: {said_by(twin, mark)}", same_as=twin.id or twin.verb)
        taken = self._act(mark, books)
        self._lately.keep(mark, taken.mark)
        if mark.verb in undo.VERBS:
            self._last, self._last_came_t = taken.mark, books.now
        shown = books.watch.see(mark, books.bench.id)
        return replace(taken, findings=[*taken.findings, *shown]) if shown else taken

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
            case _:
                return self._act_aside(mark, books)

    def _act_aside(self, mark: Mark, books: Books) -> Taken:
        """What moves no pour and no load."""
        match mark.verb:
            case "note":
                return self._notes.take(mark, books)
            case "heard":
                return self._notes.heard(mark, books)
            case "prepared":
                mark, done, why = self.prep.take(mark, books)
                return Taken(mark, done, why)
            case "watch":
                found, why = books.watch.take(mark, books.bench.id)
                return Taken(mark, found, why)
            case "check":
                mark, said = self.checks.take(mark, books)
                return Taken(mark, why=said, say=said)
            case verb if verb in afterwards.VERBS:
                return Taken(mark, *books.after.take(mark, books.bench))
        return Taken(mark)

    def _mix(self, mark: Mark, books: Books) -> Taken:
        """A mix without molds uses the run sheet's next load, if there is one; then the cup may have an open pour."""
        sheet_load = None if mark.molds else books.sheet.next_load(books.now)
        resolved, assumed = marks.resolve_mix(mark, books.bench, books.pours, sheet_load)
        bench, open_pour = books.bench.id, books.pours.on_cup(resolved.cup)
        ended: list[Finding] = []
        if open_pour is not None and open_pour.inferred and not self._is_same(open_pour, resolved, books):
            ended, open_pour = [books.pours.end(open_pour, "no_cure", bench, books.now)], None
        if open_pour is not None and open_pour.phase not in FREE_PHASES:
            if not open_pour.inferred and mark.molds == () and mark.lot is None and mark.a_g is None:
                raise MarkRejected(f"the mix clock of {open_pour.cup} already runs; mark `end` first")
            if open_pour.molds and not mark.molds:  # its molds are known: the sheet's next load belongs to another pour
                resolved, assumed = marks.resolve_mix(mark, books.bench, books.pours)
            told = books.pours.revise(open_pour, resolved, bench)
            checked = self.checks.close(mark.t, told[0].subject, books.now)
            return Taken(resolved, [*self._on_sheet(told, books), *checked], "joins the open pour")
        resolved, assumed = self._with_weights(mark, resolved, assumed, books)
        findings = books.pours.start(resolved, bench, books.day, inferred=False, assumed=assumed)
        pour = list(books.pours)[-1]
        pour.load = books.loads.join(pour.pot, pour.id)
        said = f"Load {number_words(sheet_load.number)}." if sheet_load and mark.by == "switch" else ""
        why = f"assumed {assumed}" if assumed else ""
        checked = self.checks.close(mark.t, findings[0].subject, books.now)
        return Taken(resolved, [*ended, *self._on_sheet(findings, books), *checked], why, said)

    @staticmethod
    def _is_same(inferred: Pour, mix: Mark, books: Books) -> bool:
        """True if a mix can be that of an inferred pour: within a pot life of the time it was inferred for."""
        label = books.bench.label_for(mix.lot)
        pot_life_s = label.pot_life_s if label is not None else NO_LABEL_POT_LIFE_S
        return abs(mix.t - inferred.mix_t) <= pot_life_s

    def _with_weights(self, mark: Mark, resolved: Mark, assumed: str, books: Books) -> tuple[Mark, str]:
        """A mix whose mark gives no weights uses those on the scale, if they were weighed just before."""
        weighed, books.weighed = books.weighed, None
        self._weighed = weighed
        if weighed is None or mark.a_g is not None or mark.b_g is not None or books.now - weighed.t > WEIGHED_WITHIN_S:
            return resolved, assumed
        told = f"{assumed}, the scale's weights" if assumed else "the scale's weights"
        return replace(resolved, a_g=weighed.a_g, b_g=weighed.b_g), told

    @staticmethod
    def _on_sheet(findings: list[Finding], books: Books) -> list[Finding]:
        """The findings, after the run sheet has recorded which of its loads they use or release."""
        for finding in findings:
            books.sheet.see(finding)
        return findings

    def infer(self, evidence: CupReacting, books: Books) -> list[Finding]:
        """Open a pour without a mark, from a cup that heats itself."""
        cup = evidence.subject.cup
        open_pour = books.pours.on_cup(cup)
        if cup is None or (open_pour is not None and open_pour.phase not in FREE_PHASES):
            return []
        pots = books.bench.pots
        mark = Mark(
            t=evidence.mix_t, verb="mix", cup=cup, pot=pots[0].id if len(pots) == 1 else None,
            lot=base_of(books.pours.last_lot), by="inferred",
        )  # fmt: skip
        started = books.pours.start(mark, books.bench.id, books.day, True, "inferred from the cup")
        pour = list(books.pours)[-1]
        pour.load = books.loads.join(pour.pot, pour.id)
        return [replace(f, t=books.now) for f in started]

    def _poured(self, mark: Mark, books: Books) -> Taken:
        """A press means the next mold in pouring order; another mark without a mold means all that are left."""
        pour = marks.resolve_pour(mark, marks.still_pouring(books.pours))
        if mark.by == "switch" and pour.molds:
            mark = replace(mark, mold=next(m for m in pour.molds if m not in pour.poured))
        if mark.mold is not None and mark.mold not in pour.poured and len(pour.poured) >= MOST_MOLDS:
            raise MarkRejected(f"{MOST_MOLDS} molds are poured already, no mix fills more; mark the next mix")
        findings = books.pours.poured(pour, mark.mold, books.bench.id, mark.t)
        return Taken(replace(mark, cup=pour.cup, pour=pour.id, pot=pour.pot), findings)

    def _demolded(self, mark: Mark, books: Books) -> Taken:
        if mark.mold is None:
            raise MarkRejected("say which mold; mark it as demolded M02")
        holding = [p for p in books.pours if mark.mold in p.molds]
        if not holding:
            marks.check_mold(mark.mold, books.bench)
        pour = marks.resolve_pour(mark, [p for p in holding if mark.mold not in p.demolded] or holding)
        refuse_part(mark, mark.mold, pour, books)
        pour.demolded[mark.mold] = mark.t
        books.after.came_out(mark, mark.mold, pour.id, pour.lot, books.bench)
        mark = replace(mark, cup=pour.cup, pour=pour.id, pot=pour.pot, load=pour.load)
        soft, why = afterwards.to_support(mark, books.bench, books.facts.last("demold_forecast", mark.mold))
        return Taken(mark, [*soft, *self._end_if_empty(pour, books)], why)

    @staticmethod
    def _end_if_empty(pour: Pour, books: Books) -> list[Finding]:
        load = books.loads.of(pour.pot)
        still_closed = load is not None and load.id == pour.load
        if not pour.molds or still_closed or any(m not in pour.demolded for m in pour.molds):
            return []
        return [books.pours.end(pour, "demolded", books.bench.id, books.now)]

    def close_emptied(self, opened: LoadOpened, books: Books) -> list[Finding]:
        """When a load is opened, end the pours whose molds were all demolded already."""
        pours = [p for p in list(books.pours) if p.id in opened.pours]
        return [f for p in pours for f in self._end_if_empty(p, books)]

    def _undo(self, mark: Mark, books: Books) -> Taken:
        last = self._last
        if last is None:
            raise MarkRejected("nothing to take back")
        is_pour = last.verb not in undo.WITHOUT_POUR
        pour = (books.pours.open.get(last.pour or "") or books.pours.on_cup(last.cup)) if is_pour else None
        if pour is None and is_pour:
            raise MarkRejected(f"the pour of that {last.verb} is over")
        after = undo.followed(last, self._last_came_t, pour, books.now)
        if after:
            raise MarkRejected(f"too late to take back: {after}")
        self._last = None
        mark = replace(mark, cup=last.cup, pot=last.pot, mold=last.mold, pour=last.pour, load=last.load)
        whose = f"{name_of(last.by)}'s " if last.by != mark.by and name_of(last.by) else ""
        if pour is None:
            return Taken(mark, self._undo_other(last, mark, books), f"{whose}{last.verb} taken back")
        bench = books.bench.id
        if last.verb == "mix":
            ended = [books.pours.end(pour, "undone", bench, books.now)]
            books.weighed, self._weighed = self._weighed, None
            return Taken(mark, self._on_sheet(ended, books), f"{whose}mix taken back")
        if last.verb == "poured":
            undone = [last.mold] if last.mold else [m for m, t in pour.poured.items() if t == last.t]
            pour.poured = {m: t for m, t in pour.poured.items() if m not in undone}
            pour.pouring_done = False
            pour.phase = "pouring" if pour.poured else "mixing"
        elif last.mold is not None:
            pour.demolded.pop(last.mold, None)
            books.after.not_out(last.mold, pour.id)
        return Taken(mark, [books.pours.revised(pour, bench, books.now)], f"{whose}{last.verb} taken back")

    def _undo_other(self, last: Mark, mark: Mark, books: Books) -> list[Finding]:
        """Take back a mark that belongs to no pour."""
        if last.verb in afterwards.VERBS:
            return books.after.back(books.now, books.bench)
        if last.verb == "watch":
            return books.watch.undo(mark, books.bench.id)
        if last.verb == "prepared":
            return self.prep.undo(mark.t, books)
        self._notes.undo(last, books)
        return []
