"""Keeps which load of the day's run sheet comes next, and which pour took which load.

The sheet is an input (core/model/day.py), so a recording replays with it.  A pour uses the first unused load with the
same molds; a mix of other molds does not change the sheet; an undone mix releases its load.  A sheet is valid for 16
hours, so that yesterday's plan is not followed.
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass, field, replace

from benchd.core.findings import Finding, PourEnded, PourStarted
from benchd.core.model import Mark
from benchd.core.model.day import DaySheet, SheetLoad
from benchd.stored import stored

WRITING_S = 15.0  # planning takes a few seconds; nobody mixes the same molds twice in this time
ROUNDING_S = 1.0  # its time is printed to a tenth: the mix may seem to be earlier
SHEET_LIVES_S = 16 * 3600.0  # a long day at the bench; common practice, no source


@stored("run-sheet")
@dataclass(slots=True)
class RunSheet:
    """The day's loads in order.  `configure` it, `see` findings about pours, read `next_load`."""

    id: str = ""
    made_t: float = 0.0
    loads: list[SheetLoad] = field(default_factory=list)
    _pours: dict[str, tuple[tuple[str, ...], float]] = field(default_factory=dict)

    def configure(self, sheet: DaySheet) -> None:
        """Take this sheet; one without an id means there is none.

        A pour mixed while the sheet was being written uses its load too; an older one is unrelated to it.
        """
        if not sheet.id:
            self.id, self.made_t, self.loads, self._pours = "", 0.0, [], {}
            return
        before = {load.number: load.pour for load in self.loads} if sheet.id == self.id else {}
        self.id, self.made_t = sheet.id, sheet.made_t
        self.loads = [replace(load, pour=load.pour or before.get(load.number)) for load in sheet.loads]
        known = {load.pour for load in self.loads}
        self._pours = {id: pour for id, pour in self._pours.items() if pour[1] >= self.made_t - WRITING_S}
        for id, (molds, _) in self._pours.items():
            if id not in known:
                self._take(id, molds)

    def next_load(self, t: float) -> SheetLoad | None:
        """The first unused load, at t [unix s]."""
        if not -ROUNDING_S <= t - self.made_t <= SHEET_LIVES_S:
            return None
        return next((load for load in self.loads if load.pour is None), None)

    def mixed_t(self, pour: str) -> float | None:
        """When a pour that used a load was mixed [unix s]; None if that was not seen."""
        known = self._pours.get(pour)
        return None if known is None else known[1]

    def see(self, finding: Finding) -> None:
        """Record a pour that began, was revised or was undone."""
        pour = finding.subject.pour
        if pour is None or not self.id:
            return
        if isinstance(finding, PourStarted):  # or PourRevised, its subclass
            self.begin(pour, finding.molds, finding.mix_t)
        elif isinstance(finding, PourEnded) and finding.why == "undone":
            self.give_back(pour)

    def begin(self, pour: str, molds: tuple[str, ...], mix_t: float) -> None:
        """Record a pour of these molds mixed at mix_t [unix s]; without molds it uses no load."""
        self.give_back(pour)
        if molds:
            self._forget_before(mix_t - SHEET_LIVES_S)
            self._pours[pour] = (molds, mix_t)
            self._take(pour, molds)

    def _forget_before(self, t: float) -> None:
        """Forget pours mixed before t that used no load: no later sheet can be theirs."""
        takers = {load.pour for load in self.loads}
        self._pours = {id: pour for id, pour in self._pours.items() if pour[1] >= t or id in takers}

    def _take(self, pour: str, molds: tuple[str, ...]) -> None:
        wanted = sorted(molds)
        for index, load in enumerate(self.loads):
            if load.pour is None and sorted(load.molds) == wanted:
                self.loads[index] = replace(load, pour=pour)
                return

    def give_back(self, pour: str) -> None:
        """Release the load of an undone pour, if it used one."""
        self._pours.pop(pour, None)
        self.loads = [replace(load, pour=None) if load.pour == pour else load for load in self.loads]


def caught_up(sheet: DaySheet, told: Iterable[Finding]) -> DaySheet:
    """A sheet with the pours that used its loads, from findings of pours in order of time."""
    taken = RunSheet()
    taken.configure(sheet)
    for finding in told:
        if not isinstance(finding, PourStarted) or finding.mix_t >= sheet.made_t - WRITING_S:
            taken.see(finding)
    return replace(sheet, loads=tuple(taken.loads))


def with_load(mark: Mark, load: SheetLoad) -> Mark:
    """A `mix` mark without molds, completed from the sheet's load; what the mark itself names is kept."""
    has_grams = mark.a_g is not None or mark.b_g is not None
    return replace(
        mark, molds=load.molds, pot=mark.pot or load.pot, cup=mark.cup or load.cup, lot=mark.lot or load.lot,
        a_g=mark.a_g if has_grams else load.a_g, b_g=mark.b_g if has_grams else load.b_g,
    )  # fmt: skip


def assumed_of(load: SheetLoad, mark: Mark) -> str:
    """What a bare mix used from the sheet, in words; `mark` as received."""
    grams = ""
    if mark.a_g is None and mark.b_g is None and load.a_g is not None and load.b_g is not None:
        grams = f", {load.a_g:.1f} g A and {load.b_g:.1f} g B"
    return f"load {load.number} of the sheet: {' '.join(load.molds).upper()}{grams}"
