"""Keeps what notes confirm, and the phone test: a note that is spoken, and the phone's `heard` that answers it."""

from __future__ import annotations

from dataclasses import dataclass, field

from benchd.core.casting.books import Books
from benchd.core.casting.desk.taken import Taken
from benchd.core.casting.leaving import noted
from benchd.core.casting.people.hands import is_at_bench
from benchd.core.model import Mark
from benchd.errors import MarkRejected
from benchd.stored import stored

PHONE_TEST = "phone test"
PHONE_TEST_SAYS = "Phone test. Press heard."
PHONE_TESTED = "phone tested"
PHONE_TEST_WITHIN_S = 120.0  # common practice, no source: long enough to walk to the phone


@stored("notes")
@dataclass(slots=True)
class Notes:
    """What notes had confirmed before the last one, and when a phone test was asked for [unix s]."""

    _before: dict[str, float] = field(default_factory=dict)
    _phone_test_t: float | None = None

    def take(self, mark: Mark, books: Books) -> Taken:
        """Record what a note confirms; the note "phone test" is spoken, and the phone's `heard` answers it."""
        is_test = (mark.text or "").strip().lower() == PHONE_TEST
        if is_test and books.is_mid_pour():
            raise MarkRejected("no phone test from mix to pressure")
        self._before = dict(books.noted)
        for what in noted(mark.text):
            books.noted[what] = books.now
        if not is_test:
            return Taken(mark)
        self._phone_test_t = mark.t
        return Taken(mark, why="said; press heard on the phone", say=PHONE_TEST_SAYS)

    def undo(self, note: Mark, books: Books) -> None:
        """Take a note back."""
        for what in noted(note.text):
            books.noted.pop(what, None)
            books.noted |= {what: self._before[what]} if what in self._before else {}
        if self._phone_test_t == note.t:
            self._phone_test_t = None

    def heard(self, mark: Mark, books: Books) -> Taken:
        """Acknowledge; a `heard` from elsewhere than the bench, soon after a test, proves that the phone works."""
        asked_t = self._phone_test_t
        is_phone = not is_at_bench(mark) and mark.by != "button"  # a button of the house proves no phone
        if asked_t is None or not is_phone or books.now - asked_t > PHONE_TEST_WITHIN_S:
            return Taken(mark)
        self._phone_test_t, books.noted["phone"] = None, books.now
        return Taken(mark, why=PHONE_TESTED)
