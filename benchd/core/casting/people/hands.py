"""Tells whose hand a mark is from, and counts once what two hands mark within seconds.

1. A mark's `by` is the door it came through and, where the door knows it, a name: "page:Ada", "cli:bo".  A switch, a
   broker's client, a house's button and an unpaired page have none.  Two marks of the same `by` are one hand's.
2. The same mark from another hand within TWICE_S counts once: the first one counts, the second is answered so.
3. What contradicts the other hand's mark of the same seconds (another grade, molds, grams) is refused with
   what was marked: nobody's word is changed behind his back.  After that, or from the same hand, it is a correction.
4. `heard` and what only asks for words is never held back: a second hand may mean a newer alarm.
"""

from __future__ import annotations

from dataclasses import dataclass, field

from benchd.core.casting.pour import PourBook
from benchd.core.model import Mark
from benchd.errors import MarkRejected
from benchd.stored import stored

TWICE_S = 5.0  # common practice, no source: two people who saw the same thing; a second thing takes longer
MOST_LATELY = 32
COUNTED = (
    "mix",
    "poured",
    "kicked",
    "demolded",
    "shut",
    "topup",
    "dumped",
    "end",
    "check",
    "undo",
    "prepared",
    "watch",
    "oven",
    "oven-out",
    "tried",
    "trimmed",
)
"""The marks that two hands may make of one thing."""
ABOUT = ("cup", "pot", "mold", "pour", "load", "code")
TELLS = ("molds", "lot", "recipe", "a_g", "b_g", "mold_c", "feel", "grade", "cause", "text", "picture")
"""A mark's keys: what it is about, and what it tells of that."""


def is_at_bench(mark: Mark) -> bool:
    """Whether the mark came from the switch or the console's own socket.

    The entries for marks make sure that no other mark can claim this.
    """
    return mark.by in ("switch", "cli") or mark.by.startswith("cli:")


def name_of(by: str) -> str:
    """The person or phone a mark is by, as named at pairing or logged in; "" where its door knows no name.

    >>> [name_of(by) for by in ("page:Ada", "cli:bo", "switch", "page", "mqtt")]
    ['Ada', 'bo', '', '', '']
    """
    return by.partition(":")[2].strip()


@stored("lately-marked")
@dataclass(frozen=True, slots=True)
class Marked:
    """One accepted mark: as it came, and as it was understood."""

    sent: Mark
    meant: Mark


@stored("lately")
@dataclass(slots=True)
class Lately:
    """The marks accepted within the last seconds."""

    _marks: list[Marked] = field(default_factory=list)

    def keep(self, sent: Mark, meant: Mark) -> None:
        """Remember an accepted mark."""
        if sent.verb in COUNTED:
            self._marks = [was for was in self._marks if abs(sent.t - was.sent.t) <= TWICE_S][-MOST_LATELY + 1 :]
            self._marks.append(Marked(sent, meant))
            if sent.verb == "undo":
                self._marks = self._marks[-1:]  # what it took back may be marked again at once

    def twin(self, mark: Mark, pours: PourBook) -> Mark | None:
        """The other hand's mark of the same thing, with which this one counts once; a mix only while its pour is open.

        Raises MarkRejected where the two contradict one another.
        """
        for was in reversed(self._marks):
            if was.sent.verb != mark.verb or was.sent.by == mark.by or abs(mark.t - was.sent.t) > TWICE_S:
                continue
            if not _is_about_the_same(was, mark) or _is_of_the_past(was, pours):
                continue
            told = [key for key in TELLS if getattr(mark, key) not in (None, "", ())]
            if any(_differs(was, key, getattr(mark, key)) for key in told):
                raise MarkRejected(f"{said_by(was.sent, mark)}, {_told(was.meant)}; mark it again to change that")
            if all(_plain(key, getattr(was.meant, key)) == _plain(key, getattr(mark, key)) for key in told):
                return was.sent
        return None


def said_by(was: Mark, mark: Mark) -> str:
    """Who marked it, and how long before."""
    before_s = abs(mark.t - was.t)
    ago = f"{before_s:.0f} s before" if before_s >= 1.0 else "just now"
    return f"{name_of(was.by) or HANDS.get(was.by, was.by)} marked it {ago}"


HANDS = {"switch": "the foot switch", "page": "the page", "mqtt": "a phone", "hub": "the house", "cli": "the console"}


def _is_about_the_same(was: Marked, mark: Mark) -> bool:
    """Whether what a mark names is what the other one named, or was understood to mean."""
    for key in ABOUT:
        asked = getattr(mark, key)
        if asked is None and getattr(was.sent, key) is not None and key in ("mold", "code"):
            return False  # "poured" alone means all that are left, the other one mold
        if asked is not None and asked not in (getattr(was.sent, key), getattr(was.meant, key)):
            return False
    return True


def _is_of_the_past(was: Marked, pours: PourBook) -> bool:
    """Whether it began a pour that is over."""
    return was.sent.verb == "mix" and pours.on_cup(was.meant.cup) is None


def _plain(key: str, value: object) -> object:
    return value.strip().casefold() if key == "text" and isinstance(value, str) else value


def _differs(was: Marked, key: str, value: object) -> bool:
    """Whether the other mark told something else of this; what it left open is no contradiction."""
    known = _plain(key, getattr(was.sent, key))
    return known not in (None, "", ()) and known != _plain(key, value)


def _told(mark: Mark) -> str:
    words = [" ".join(mark.molds).upper(), (mark.lot or "").upper(), mark.grade, mark.cause, mark.feel, mark.text]
    grams = [f"{name} {value:g} g" for name, value in (("A", mark.a_g), ("B", mark.b_g)) if value is not None]
    warm = [f"molds at {mark.mold_c:g} C"] if mark.mold_c is not None else []
    return ", ".join(word for word in (*words, *grams, *warm) if word)
