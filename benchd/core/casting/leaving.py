"""Answers whether a loaded pot can be left for a moment: what speaks against it or is unknown, never a permission.

Unattended means: the caster within a minute of the bench, a phone tested today, the load past gel, the pot isolated and
tight, the compressor off, the relief valve lifted today (common practice, no source).  What no sensor shows is taken
from a note of today ("relief lifted", "compressor off", "phone tested") or reported as unknown.
"""

from __future__ import annotations

import math
import re
from collections.abc import Iterator
from dataclasses import dataclass

from benchd.core.alarm.speech import LONGEST
from benchd.core.casting.books import Books
from benchd.core.casting.load import Load
from benchd.core.findings import DemoldForecast, HoldForecast, PotLeaking
from benchd.core.units import number_words

NOTES: dict[str, re.Pattern[str]] = {
    "phone": re.compile(r"phone tested( today)?"),
    "relief": re.compile(r"relief( valve)? lifted( today)?( by hand)?( today)?"),
    "compressor": re.compile(r"compressor( is)? off( now)?"),
}
"""What a note can confirm -> the whole phrase that does; any other wording confirms nothing."""


def noted(text: str | None) -> list[str]:
    """What a note's text confirms: separate phrases, divided by commas, stops or "and"."""
    phrases = [part.strip() for part in re.split(r"[,;.!]| and ", (text or "").lower())]
    return [what for what, phrase in NOTES.items() if any(phrase.fullmatch(part) for part in phrases)]


@dataclass(frozen=True, slots=True)
class Leave:
    """Reasons against leaving, most important first, and what is not known; sentences without full stops."""

    reasons: tuple[str, ...]
    unknown: tuple[str, ...]

    @property
    def why(self) -> str:
        """The whole answer, for reading."""
        head = ". ".join(("Not yet", *self.reasons)) if self.reasons else "Nothing seen against it"
        return f"{head}. Not known here: {', '.join(self.unknown)}."

    @property
    def said(self) -> str:
        """The spoken answer: the first reason, or what no sensor shows."""
        said = f"Not yet. {self.reasons[0]}." if self.reasons else f"Not known here: {self.unknown[0]}."
        return said if len(said) <= LONGEST else "Not yet. Look at the page."


def leave(books: Books) -> Leave:
    """The answer to a `leaving` mark now."""
    reasons = [*_pours(books)]
    for load in books.loads:
        reasons += _load(books, load)
    if books.is_busy:
        reasons += [] if _today(books, "phone") else ["No phone tested today"]
        reasons += [f"{_pot(books, load.pot)}: relief not lifted today" for load in _unlifted(books)]
    unknown = [] if _today(books, "compressor") else ["is the compressor off"]
    return Leave(tuple(reasons), (*unknown, "is anyone within a minute"))


def _pours(books: Books) -> Iterator[str]:
    for pour in books.pours:
        if pour.kicked_t is None and not (pour.load and books.loads.of(pour.pot)):
            cup = books.bench.cup(pour.cup)
            yield f"{_capital(cup.name if cup else pour.cup)} has not kicked"


def _load(books: Books, load: Load) -> Iterator[str]:
    pot = _pot(books, load.pot)
    if load.phase in ("filling", "venting"):
        yield f"{pot} is {load.phase}"
    if not load.gelled:
        yield _gel(books, load)
    if load.phase == "fed":
        yield f"{pot} is not isolated"
    leak = books.facts.last("pot_leaking", load.pot)
    if isinstance(leak, PotLeaking) and leak.active:
        yield f"{pot} leaks"


def _gel(books: Books, load: Load) -> str:
    """When the load's last mold gels, from its own forecast; else from the hold's; else that it is unknown."""
    last_t, name = 0.0, ""
    for pour in books.pours:
        for mold in pour.molds if pour.load == load.id else ():
            forecast = books.facts.last("demold_forecast", mold)
            if isinstance(forecast, DemoldForecast) and forecast.gel_at is not None and forecast.gel_at[2] > last_t:
                shelf = books.bench.mold(mold)
                last_t, name = forecast.gel_at[2], shelf.name if shelf else mold.upper()
    if last_t > books.now:
        verb = "gel" if name.endswith("s") else "gels"
        return f"{_capital(name)} {verb} in {_minutes(last_t - books.now)}"
    due = books.facts.last("hold_forecast", load.pot)
    if isinstance(due, HoldForecast) and due.at > books.now:
        return f"{_pot(books, load.pot)} holds {_minutes(due.at - books.now)} more"
    return f"{_pot(books, load.pot)} is not known to be past gel"


def _unlifted(books: Books) -> list[Load]:
    """Loads whose relief valve was not seen to lift today, by note or gauge."""
    if _today(books, "relief"):
        return []
    seen = {load.id: books.facts.last("relief_lifted", load.pot) for load in books.loads}
    return [load for load in books.loads if (f := seen[load.id]) is None or books.day_of(f.t) != books.day]


def _today(books: Books, what: str) -> bool:
    t = books.noted.get(what)
    return t is not None and books.day_of(t) == books.day


def _pot(books: Books, id: str) -> str:
    pot = books.bench.pot(id)
    return _capital(pot.name if pot else id)


def _capital(name: str) -> str:
    return name[:1].upper() + name[1:]


def _minutes(seconds: float) -> str:
    """Whole minutes in words, rounded up, so that nobody leaves early."""
    minutes = math.ceil(max(1.0, seconds) / 60.0)
    return f"{number_words(minutes)} minute{'' if minutes == 1 else 's'}"
