"""Turns a phrase and its findings into spoken words: fills the slots of core/alarm/phrases.py."""

from __future__ import annotations

from collections.abc import Sequence

from benchd.core.alarm.phrases import Phrase
from benchd.core.alarm.speech import LONGEST
from benchd.core.casting.books import Books
from benchd.core.findings import Finding, HoldForecast, Kicked, PotAtPressure, PotBelowFloor
from benchd.core.model import Quality
from benchd.core.units import number_words, shown_pressure

SHORT_BY_NAME = ("test", "hard")
"""Calls whose first sentence says enough: of several molds their names are worth more than the second."""
LEAST_AHEAD_S = 2.5  # said to the nearest five: less is no lead that anybody can name, or one lost in a hole
UNIT_SPOKEN = {"psi": "psi", "kPa": "kilopascal", "bar": "bar"}


class Wording:
    """Turns (phrase, findings) into words for one bench; reads the books, changes nothing."""

    def __init__(self, books: Books) -> None:
        self._books = books

    def __call__(self, phrase: Phrase, findings: Sequence[Finding]) -> str:
        first = findings[0]
        slots = {name: getattr(self, f"_{name.lower()}")(first) for name in _SLOTS if "{" + name + "}" in phrase.words}
        if "{molds}" in phrase.words:
            slots["molds"] = self._molds(findings)
        said = phrase.words.format(**slots)
        if len(said) > LONGEST and phrase.merge in SHORT_BY_NAME:
            said = phrase.words.partition(". ")[0].format(**slots) + "."
        return said if len(said) <= LONGEST else phrase.words.format(**{**slots, "molds": _several(findings)})

    def refusal(self, why: str) -> str:
        """The spoken reason for refusing a switch press, shortened to one breath."""
        bench = self._books.bench
        reason = why.split(";")[0].replace("`", "")
        names = {c.id: c.name for c in bench.cups} | {p.id: p.name for p in bench.pots}
        for id, name in names.items():
            reason = reason.replace(id, name)
        said = f"Not taken: {reason}."
        return said if len(said) <= LONGEST else "Not taken. Look at the page."

    def _pressure(self, finding: Finding) -> str:
        return f"{self._number(finding)} {UNIT_SPOKEN[self._books.bench.pressure_unit]}".capitalize()

    def _number(self, finding: Finding) -> str:
        """A pressure in the bench's unit, which its caster knows: shorter to hear, and "psi" is read out as a word."""
        kpa = float(getattr(finding, "kpa", 0.0))
        gauge = self._books.facts.reading("pot_pressure", finding.subject.pot or "")
        if isinstance(finding, PotBelowFloor) and gauge is not None and gauge.value is not None:
            kpa = gauge.value if gauge.quality is Quality.GOOD else kpa  # a repeat reads the gauge again
        return _spoken(float(shown_pressure(kpa, self._books.bench.pressure_unit).split()[0]))

    def _late(self, finding: Finding) -> str:
        return "Late. Keep filling." if getattr(finding, "rising", False) else "Late. Lid and air now."

    def _floor(self, finding: Finding) -> str:
        floor_at = getattr(finding, "floor_at", None)
        return "Falling" if floor_at is None else minutes_words(floor_at - finding.t).capitalize()

    def _hold(self, finding: Finding) -> str:
        due = self._books.facts.last("hold_forecast", finding.subject.pot)
        if not isinstance(due, HoldForecast) or due.at <= finding.t:
            return "Hold not done"
        words = minutes_words(due.at - finding.t).split()
        return f"{words[0]} more {words[1]}".capitalize() if len(words) == 2 else "Under a minute more"

    def _ahead(self, finding: Finding) -> str:
        up = self._books.facts.last("pot_at_pressure", finding.subject.pot)
        if not isinstance(finding, Kicked) or not isinstance(up, PotAtPressure):
            return "is up"
        ahead_s = finding.at - up.since
        if ahead_s < LEAST_AHEAD_S:
            return "is up"
        said = minutes_words(ahead_s) if ahead_s >= 120.0 else f"{number_words(5 * round(ahead_s / 5))} seconds"
        return f"was {said} ahead"

    def _load(self, finding: Finding) -> str:
        load = self._books.loads.of(finding.subject.pot)
        return number_words(load.number) if load else ""

    def _rh(self, finding: Finding) -> str:
        return number_words(round(float(getattr(finding, "rh_pct", 0.0))))

    def _share(self, finding: Finding) -> str:
        return number_words(round(100.0 * abs(float(getattr(finding, "ratio_error", 0.0)))))

    def _is(self, finding: Finding) -> str:
        return "is" if getattr(finding, "basis", "") == "measured" else "may be"

    def _odd(self, finding: Finding) -> str:
        pour = self._books.pours.open.get(finding.subject.pour or "")
        return (pour.odd if pour else None) or "odd"

    def _channel(self, finding: Finding) -> str:
        return (finding.subject.channel or "A probe").replace("-", " ").capitalize()

    def _board(self, finding: Finding) -> str:
        name = (finding.subject.source or "board").replace("-", " ")
        is_whole = finding.subject.source in [source for source, _ in self._books.bench.sources]
        return name.capitalize() if is_whole or "board" in name.lower() else f"Board {name}"

    def _instead(self, finding: Finding) -> str:
        acts = {"dial": "watch the dial", "timer": "use the timer"}
        needed = self._books.situation(finding).blind or ("dial",)
        return ", ".join(acts[what] for what in needed).capitalize()

    def _molds(self, findings: Sequence[Finding]) -> str:
        names = list(dict.fromkeys(self._mold_name(f) for f in findings))
        joined = names[0] if len(names) == 1 else ", ".join(names[:-1]) + " and " + names[-1]
        return joined[:1].upper() + joined[1:]

    def _mold_name(self, finding: Finding) -> str:
        id = finding.subject.mold or str(getattr(finding, "mold", ""))
        mold = self._books.bench.mold(id)
        return mold.name if mold else id.upper()


_SLOTS = (
    "Pressure", "number", "is", "Late", "Floor", "Hold", "ahead", "load", "rh", "share", "odd", "channel", "Board",
    "Instead",
)  # fmt: skip


def _spoken(number: float) -> str:
    if number == int(number):
        return number_words(int(number))
    whole, tenth = divmod(round(number * 10), 10)
    return f"{number_words(int(whole))} point {number_words(int(tenth))}"


def _several(findings: Sequence[Finding]) -> str:
    return f"{number_words(len(findings)).capitalize()} molds" if len(findings) > 1 else "One mold"


def minutes_words(seconds: float) -> str:
    """Whole minutes in words ("six minutes", "under a minute"), rounded down: never more time than is left."""
    minutes = int(max(0.0, seconds) // 60)
    if minutes == 0:
        return "under a minute"
    return f"{number_words(minutes)} minute{'' if minutes == 1 else 's'}"
