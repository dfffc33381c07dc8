"""Asks the load's checklist, one question at a time, and keeps what was answered and what was skipped.

1. The list belongs to the next load: what every load needs, then what each of its molds needs (its traps, what is
   on trial at it, its warmth).
   Relief is not asked where it was noted as lifted today.
2. Each `check` answers the question asked and asks the next; `all` answers the rest, `skip` leaves one unanswered.
3. On the foot switch, while a list is open, between pours, and with nothing waiting to be heard: short = done, double =
   all.  A double press on an idle bench whose run sheet has a load waiting opens the list; else it says again what was
   said.  A long press stays the mix, always.
4. The mix closes the list.  What was not answered then was skipped.  An answer is the caster's word: it proves
   nothing and permits nothing.
"""

from __future__ import annotations

from dataclasses import dataclass, field

from benchd.core.casting.books import Books
from benchd.core.findings import ChecksNoted
from benchd.core.learned.remedies import tried_words
from benchd.core.model import Mark, Subject
from benchd.errors import MarkRejected, no_such
from benchd.stored import stored

QUESTIONS = {
    "release": "Release on?", "vents": "Vents clear?", "bands": "Bands on?", "relief": "Relief lifted?",
    "tank": "Tank drained?",
}  # fmt: skip
"""What every load needs: common practice, no source."""
OPEN_S = 2 * 3600.0  # a list left open for longer belongs to no load; common practice, no source
ANSWERS = ("all", "skip")


@stored("checks")
@dataclass(slots=True)
class Checks:
    """The open list: each question's code and words, and which were answered; empty when there is none."""

    asked: dict[str, str] = field(default_factory=dict)
    done: list[str] = field(default_factory=list)
    passed: list[str] = field(default_factory=list)
    """Skipped with `skip`; asked no more."""
    opened_t: float = 0.0

    def is_open(self, now_t: float) -> bool:
        """Whether a question is waiting at now_t [unix s]."""
        return self.next_code is not None and now_t - self.opened_t < OPEN_S

    @property
    def next_code(self) -> str | None:
        """The question asked now."""
        return next((code for code in self.asked if code not in self.done and code not in self.passed), None)

    def press(self, verb: str, books: Books, is_quiet: bool) -> tuple[str, str | None]:
        """The verb and code a press means, which by itself means this verb (rule 3)."""
        if not is_quiet or books.is_mid_pour() or verb not in ("heard", "repeat"):
            return verb, None
        if self.is_open(books.now):
            return "check", "all" if verb == "repeat" else None
        opens = verb == "repeat" and not books.is_busy and not self._is_fresh(books.now)
        return ("check", None) if opens and books.sheet.next_load(books.now) is not None else (verb, None)

    def take(self, mark: Mark, books: Books) -> tuple[Mark, str]:
        """One `check` mark: the mark with the code it answered, and what is asked next or said at the end.

        Raises MarkRejected in mid-pour, and for an unknown code.
        """
        if books.is_mid_pour():
            raise MarkRejected("no checklist from mix to pressure")
        if not self.is_open(books.now) and not self._is_fresh(books.now):
            self._open(mark, books)
            if mark.code is None:
                return mark, self._question()
        code = mark.code if mark.code is not None else self.next_code
        if code is None:
            raise MarkRejected("every question is answered; mark the mix")
        mark = self._answer(mark, code)
        if "relief" in self.done:
            books.noted["relief"] = books.now
        return mark, self._question() or self._ended()

    def _is_fresh(self, now_t: float) -> bool:
        return bool(self.asked) and now_t - self.opened_t < OPEN_S

    def _open(self, mark: Mark, books: Books) -> None:
        load = books.sheet.next_load(books.now)
        molds = mark.molds or (load.molds if load is not None else ())
        lifted_t = books.noted.get("relief")
        is_lifted = lifted_t is not None and books.day_of(lifted_t) == books.day
        self.asked = {code: words for code, words in QUESTIONS.items() if code != "relief" or not is_lifted}
        self.asked |= _of_molds(molds, books)
        self.done, self.passed, self.opened_t = [], [], books.now

    def _answer(self, mark: Mark, code: str) -> Mark:
        if code == "all":
            self.done += [each for each in self.asked if each not in self.done and each not in self.passed]
            return mark
        if code == "skip":
            asked = self.next_code
            if asked is None:
                raise MarkRejected("nothing is asked; mark the mix")
            self.passed.append(asked)
            return mark
        if code not in self.asked:
            raise MarkRejected(no_such("check", code, (*self.asked, *ANSWERS)))
        self.passed = [each for each in self.passed if each != code]
        self.done += [code] if code not in self.done else []
        return Mark(t=mark.t, verb=mark.verb, id=mark.id, by=mark.by, code=code, molds=mark.molds)

    def _question(self) -> str:
        code = self.next_code
        return "" if code is None else self.asked[code]

    def _ended(self) -> str:
        return f"Noted. {len(self.passed)} skipped." if self.passed else "Checks noted."

    def close(self, t: float, subject: Subject, now_t: float) -> list[ChecksNoted]:
        """The mix at t [unix s] ends the list: what was answered and what was not; nothing where none was asked."""
        found = []
        if self._is_fresh(now_t):
            skipped = tuple(code for code in self.asked if code not in self.done)
            found = [ChecksNoted(t=t, subject=subject, done=tuple(self.done), skipped=skipped)]
        self.asked, self.done, self.passed = {}, [], []
        return found


def _of_molds(molds: tuple[str, ...], books: Books) -> dict[str, str]:
    """What each mold needs beyond the rest: its traps looked after, what is on trial at it, and its warmth."""
    bench, tried = books.bench, books.after.on_trial(books.bench.learned)
    asked = {}
    for id in molds:
        mold = bench.mold(id)
        if mold is not None and mold.traps:
            asked[f"traps-{mold.id}"] = f"{mold.name}: {mold.traps}?"
        if mold is not None and mold.id in tried:
            asked[f"tried-{mold.id}"] = f"{mold.name}: {tried_words(tried[mold.id], bench.learned.remedies, mold.id)}?"
        if mold is not None and mold.warm_c is not None:
            asked[f"warm-{mold.id}"] = f"{mold.name} warm?"
    return asked
