"""Turns a phrase and its findings into spoken words: fills the slots of core/alarm/phrases.py."""

from __future__ import annotations

import re
from collections.abc import Sequence

from benchd.core.alarm.phrases import Phrase
from benchd.core.alarm.speech import LONGEST
from benchd.core.casting.books import Books
from benchd.core.findings import Finding, HoldForecast, Kicked, PotAtPressure, ReliefLifted
from benchd.core.learned.load_clock import POUR_MOST_S
from benchd.core.model import Quality
from benchd.core.units import number_words, shown_pressure, shown_temperature

ABOUT_A_CUP = frozenset((
    "kicked", "stop_stirring", "last_mold", "cup_hot", "cup_probe_slow", "no_cure", "kick_overdue", "cup_found_hot",
    "label_doubtful",
))  # fmt: skip
"""Findings whose words are about a cup, even where they know its pot."""
NAMED = ("{molds}", "{Molds}", "{Board}", "{channel}")
"""Slots that say of what the words are."""
FRESH_S = 2.0  # common practice, no source: an older number is not of now
SHORT_BY_NAME = ("test", "hard")
"""Calls whose first sentence says enough: of several molds their names are worth more than the second."""
CLOSED_KPA = 20.7  # 3 psi, which counts as pressure (watchers/pot): twice a 100 psi gauge's zero error
LEAST_AHEAD_S = 2.5  # said to the nearest five: less is no lead that anybody can name, or one lost in a hole
UNIT_SPOKEN = {"psi": "psi", "kPa": "kilopascal", "bar": "bar"}


class Wording:
    """Turns (phrase, findings) into words for one bench; reads the books, changes nothing."""

    def __init__(self, books: Books) -> None:
        self._books = books

    def __call__(self, phrase: Phrase, findings: Sequence[Finding]) -> str:
        first = findings[0]
        slots = {name: getattr(self, f"_{name.lower()}")(first) for name in _SLOTS if "{" + name + "}" in phrase.words}
        words = phrase.words.replace(", {number}", "") if slots.get("number") == "" else phrase.words
        if {"{molds}", "{Molds}"} & set(re.findall(r"\{\w+\}", words)):
            return self._of_molds(phrase, words, findings, slots)
        said = words.format(**slots)
        return said if any(slot in phrase.words for slot in NAMED) else _about(said, self._whose(phrase, first))

    def _of_molds(self, phrase: Phrase, words: str, findings: Sequence[Finding], slots: dict[str, str]) -> str:
        """The words with as many names as a breath holds: of what `SHORT_BY_NAME` says, before the second sentence."""
        names = list(dict.fromkeys(self._named(id) for id in _mold_ids(findings)))
        forms = [words, words.partition(". ")[0] + "."] if phrase.merge in SHORT_BY_NAME else [words]
        tries = [(form, len(names)) for form in forms]
        tries += [(forms[-1], count) for count in range(len(names) - 1, 0, -1)]
        for form, count in tries:
            listed = _listed(names, count)
            said = form.format(**slots, molds=listed[:1].upper() + listed[1:], Molds=listed)
            if len(said) <= LONGEST:
                return said
        many = _several(len(names), "cast" if phrase.code == "post-cure" else "mold")  # the molds stay out of the heat
        return words.format(**slots, molds=many, Molds=many.lower())

    def _whose(self, phrase: Phrase, finding: Finding) -> str:
        """The name of the cup or pot meant, where the bench has several; "" elsewhere."""
        bench, subject = self._books.bench, finding.subject
        channel = next((c for c in bench.channels if c.id == subject.channel), None)
        of = channel.of if channel is not None else None
        is_cup = finding.finding in ABOUT_A_CUP or phrase.code == "cup-odd" or bench.cup(of) is not None
        if is_cup and len(bench.cups) > 1:
            return next((c.name for c in bench.cups if c.id in (subject.cup, of)), "")
        if is_cup or len(bench.pots) < 2 or finding.finding == "air_wet":  # one tank feeds them all
            return ""
        return next((p.name for p in bench.pots if p.id in (subject.pot, of)), "")

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
        """A pressure in the bench's unit, which its caster knows: shorter to hear, and "psi" is read out as a word.

        That of now, read again at each saying, "" if it is unknown; of a relief that lifted, the one then.
        """
        kpa: float | None = float(getattr(finding, "kpa", 0.0))
        if not isinstance(finding, ReliefLifted) and self._books.now - finding.t > FRESH_S:
            kpa = self._gauge_kpa(finding.subject.pot or "")
        return "" if kpa is None else _spoken(float(shown_pressure(kpa, self._books.bench.pressure_unit).split()[0]))

    def _gauge_kpa(self, pot: str) -> float | None:
        """What a pot's gauge reads now [kPa]; None where it is silent or doubtful."""
        gauge = self._books.facts.reading("pot_pressure", pot)
        if gauge is None or gauge.quality is not Quality.GOOD:
            return None
        period_s = next((c.period_s for c in self._books.bench.channels if c.id == gauge.channel), FRESH_S)
        return gauge.value if self._books.now - gauge.t <= max(FRESH_S, 1.5 * period_s) else None

    def _leak(self, finding: Finding) -> str:
        """What to do about a fast leak: look at the bleed; below the floor, add air, as long as none comes in."""
        kpa, pot = self._gauge_kpa(finding.subject.pot or ""), self._books.bench.pot(finding.subject.pot)
        is_rising = self._books.facts.is_rising(finding.subject.pot, self._books.now)
        if kpa is None or pot is None or kpa >= pot.floor_kpa or is_rising:
            return "Leaking fast. Bleed shut?"
        shown = shown_pressure(kpa, self._books.bench.pressure_unit).split()[0]
        return f"Leaking fast, {_spoken(float(shown))}. Add air."

    def _lid(self, finding: Finding) -> str:
        return "Finish the mold in hand. Lid now." if self._is_in_hand(finding) else "Lid now."

    def _is_in_hand(self, finding: Finding) -> bool:
        """Whether a mold that may have been in hand may still be: half full it would be lost for certain."""
        return bool(getattr(finding, "finish", False)) and self._t(finding) - finding.t < POUR_MOST_S

    def _late(self, finding: Finding) -> str:
        rising = getattr(finding, "rising", False) or self._books.facts.is_rising(finding.subject.pot, self._books.now)
        if rising:
            return "Late. Keep filling."
        if self._is_closed(finding):
            return "Late. Add air."
        return "Late. Finish the mold in hand. Lid and air." if self._is_in_hand(finding) else "Late. Lid and air now."

    def _stall(self, finding: Finding) -> str:
        return f"Stalled at {self._number(finding)}" if self._is_closed(finding) else "No pressure yet"

    def _is_closed(self, finding: Finding) -> bool:
        """Whether the pot's gauge reads pressure now, so that its lid is on."""
        kpa = self._gauge_kpa(finding.subject.pot or "")
        return kpa is not None and kpa >= CLOSED_KPA

    def _floor(self, finding: Finding) -> str:
        floor_at = getattr(finding, "floor_at", None)
        return "Falling" if floor_at is None else minutes_words(floor_at - self._t(finding)).capitalize()

    def _hold(self, finding: Finding) -> str:
        due = self._books.facts.last("hold_forecast", finding.subject.pot)
        if not isinstance(due, HoldForecast) or due.at <= self._t(finding):
            return "Hold not done"
        words = minutes_words(due.at - self._t(finding)).split()
        return f"{words[0]} more {words[1]}".capitalize() if len(words) == 2 else "Under a minute more"

    def _t(self, finding: Finding) -> float:
        """The time of saying it [unix s]."""
        return max(finding.t, self._books.now)

    def _kick(self, finding: Finding) -> str:
        """A kick under pressure, with the margin only where both of its ends were seen and more than its doubt."""
        up = self._books.facts.last("pot_at_pressure", finding.subject.pot)
        if not isinstance(finding, Kicked) or not isinstance(up, PotAtPressure) or up.reached == "unseen":
            return "Kick. Pressure is up."
        if finding.late <= up.since:
            return "Kick came before pressure."
        ahead_s = finding.at - up.since
        mixes = [pour.mix_t for pour in self._books.pours if pour.id == finding.subject.pour]
        if finding.early <= up.since or ahead_s < LEAST_AHEAD_S or any(up.since < mix_t for mix_t in mixes):
            return "Kick. Pressure is up."  # which came first is not known, or it is another load's, or the hose's
        said = minutes_words(ahead_s) if ahead_s >= 120.0 else f"{number_words(5 * round(ahead_s / 5))} seconds"
        return f"Kick. Pressure was {said} ahead."

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

    def _heat(self, finding: Finding) -> str:
        """For how long, and how warm in the bench's unit."""
        for_s, temp_c = float(getattr(finding, "for_s", 0.0)), float(getattr(finding, "temp_c", 0.0))
        warm = number_words(int(shown_temperature(temp_c, self._books.bench.temperature_unit).split()[0]))
        hours = round(for_s / 3600.0)
        is_whole = hours > 0 and abs(for_s - 3600.0 * hours) < 60.0
        long = f"{number_words(hours)} hour{'' if hours == 1 else 's'}" if is_whole else minutes_words(for_s)
        return f"{long} at {warm}"

    def _next(self, finding: Finding) -> str:
        """The number of the sheet's load that comes next."""
        return number_words(int(getattr(finding, "number", 0)))

    def _yours(self, finding: Finding) -> str:
        """Who has the watch of which bench now."""
        who, bench = str(getattr(finding, "who", "")), self._books.bench.name
        if not who:
            return "Nobody has the watch."
        said = f"{bench[:1].upper()}{bench[1:]}: yours, {who}."
        return said if len(said) <= LONGEST else f"Yours, {who}."

    def _named(self, id: str) -> str:
        mold = self._books.bench.mold(id)
        return mold.name if mold else id.upper()


_SLOTS = (
    "Pressure", "number", "is", "Lid", "Late", "Leak", "Stall", "Floor", "Hold", "Kick", "load", "rh", "share", "odd",
    "heat", "channel", "Board", "Instead", "Yours", "next",
)  # fmt: skip


def _mold_ids(findings: Sequence[Finding]) -> list[str]:
    """The molds these findings are about: of a pot's finding those it lists."""
    listed = [id for f in findings for id in getattr(f, "molds", ())]
    return listed or [f.subject.mold or str(getattr(f, "mold", "")) for f in findings]


def _listed(names: Sequence[str], count: int) -> str:
    """The first `count` names, and how many more there are.

    >>> _listed(["Torso", "Arms", "Cloak"], 3), _listed(["Torso", "Arms", "Cloak"], 1), _listed(["Torso"], 1)
    ('Torso, Arms and Cloak', 'Torso and two more', 'Torso')
    """
    more = len(names) - count
    parts = [*names[:count], *([f"{number_words(more)} more"] if more else [])]
    return ", ".join(parts[:-1]) + " and " + parts[-1] if len(parts) > 1 else parts[0]


def _about(said: str, name: str) -> str:
    """The words with the name of what they are about.

    >>> _about("Pot letting go. Stand clear.", "Barrel"), _about("At pressure.", "Drum"), _about("Lid now.", "")
    ('Barrel letting go. Stand clear.', 'Drum. At pressure.', 'Lid now.')
    """
    if not name:
        return said
    thing, _, rest = said.partition(" ")
    return f"{name} {rest}" if thing in ("Pot", "Cup") else f"{name}. {said}"


def _spoken(number: float) -> str:
    if number == int(number):
        return number_words(int(number))
    whole, tenth = divmod(round(number * 10), 10)
    return f"{number_words(int(whole))} point {number_words(int(tenth))}"


def _several(count: int, what: str = "mold") -> str:
    return f"{number_words(count).capitalize()} {what}s" if count > 1 else f"One {what}"


def minutes_words(seconds: float) -> str:
    """Whole minutes in words ("six minutes", "under a minute"), rounded down: never more time than is left."""
    minutes = int(max(0.0, seconds) // 60)
    if minutes == 0:
        return "under a minute"
    return f"{number_words(minutes)} minute{'' if minutes == 1 else 's'}"
