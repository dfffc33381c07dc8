"""The day's run sheet as the context carries it: which load is next, and which pour used which load.

`Context.learned["sheet"]` is a run sheet (shape: page/plan_view.py), so a recording replays with it.  A pour uses the
first unused load with the same molds; a mix of other molds does not change the sheet; an undone mix releases its load.
A sheet is valid for 16 hours, so that yesterday's plan is not followed.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import dataclass, field, replace
from typing import Any

from benchd.core.findings import Finding, PourEnded, PourStarted
from benchd.core.model import Mark
from benchd.stored import stored

WRITING_S = 15.0  # planning takes a few seconds; nobody mixes the same molds twice in this time
ROUNDING_S = 1.0  # its time is printed to a tenth: the mix may seem to be earlier
SHEET_LIVES_S = 16 * 3600.0  # a long day at the bench; common practice, no source


@stored("sheet-load")
@dataclass(frozen=True, slots=True)
class SheetLoad:
    """One load as planned; `pour` is the pour that used it."""

    number: int
    molds: tuple[str, ...]
    pot: str | None = None
    cup: str | None = None
    lot: str | None = None
    a_g: float | None = None
    b_g: float | None = None
    pour: str | None = None


@stored("run-sheet")
@dataclass(slots=True)
class RunSheet:
    """The day's loads in order.  `configure` it from a context, `see` findings about pours, read `next_load`."""

    id: str = ""
    made_t: float = 0.0
    loads: list[SheetLoad] = field(default_factory=list)
    _pours: dict[str, tuple[tuple[str, ...], float]] = field(default_factory=dict)

    def configure(self, plain: object) -> None:
        """Take the sheet from a context; None, or one that cannot be read, means there is none.

        A pour mixed while the sheet was being written uses its load too; an older one is unrelated to it.
        """
        sheet = _read(plain)
        if sheet is None:
            self.id, self.made_t, self.loads, self._pours = "", 0.0, [], {}
            return
        before = {load.number: load.pour for load in self.loads} if sheet[0] == self.id else {}
        self.id, self.made_t, self.loads = sheet
        self.loads = [replace(load, pour=load.pour or before.get(load.number)) for load in self.loads]
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


def caught_up(plain: object, told: Iterable[Mapping[str, Any]]) -> object:
    """A context's sheet with the pours that used its loads, from printed findings of pours in order of time.

    Anything that is not a sheet is returned unchanged.
    """
    sheet = RunSheet()
    sheet.configure(plain)
    if not sheet.id or not isinstance(plain, Mapping):
        return plain
    for body in told:
        pour = str(body.get("pour", ""))
        if body.get("finding") == "pour_ended":
            if body.get("why") == "undone":
                sheet.give_back(pour)
        elif float(body.get("mix_t", 0.0)) >= sheet.made_t - WRITING_S:
            sheet.begin(pour, tuple(body.get("molds", ())), float(body["mix_t"]))
    loads = [{**load, "pour": known.pour} for load, known in zip(plain["loads"], sheet.loads, strict=True)]
    return {**plain, "loads": loads}


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
    return f"load {load.number} of the sheet: {' '.join(load.molds)}{grams}"


def _read(plain: object) -> tuple[str, float, list[SheetLoad]] | None:
    if not isinstance(plain, Mapping):
        return None
    try:
        return str(plain["id"]), float(plain["made_t"]), [_load(each) for each in plain["loads"]]
    except (KeyError, TypeError, ValueError):
        return None


def _load(plain: Mapping[str, Any]) -> SheetLoad:
    molds = tuple(str(each["mold"]).lower() for each in plain["molds"])
    if not molds:
        raise ValueError("a load without molds")
    return SheetLoad(
        number=int(plain["number"]), molds=molds, pot=_text(plain.get("pot")), cup=_text(plain.get("cup")),
        lot=_text(plain.get("lot")), a_g=_grams(plain.get("a_g")), b_g=_grams(plain.get("b_g")),
        pour=_text(plain.get("pour")),
    )  # fmt: skip


def _text(value: object) -> str | None:
    return value if isinstance(value, str) and value else None


def _grams(value: object) -> float | None:
    is_number = isinstance(value, int | float) and not isinstance(value, bool)
    return float(value) if is_number and 0.0 < value < 1e6 else None  # type: ignore[operator,arg-type]
