"""Reads a scenario from its TOML file, strictly: unknown keys, wrong types and dangling names are all reported at once.

[scenario]  name, title, lead_s, end_s, base (another scenario it varies), skip (acts of the base left out),
            delay_from_s and delay_s (acts of the base from there on come later),
            then (other scenarios whose acts and molds follow, each {scenario, at})
[studio] [board] [room] [supply] [vessel] [pot]   [[cup]] [[mold]] [[lot]]   [[resin]] (like = a built-in one)
[[act]]     see acts.py
"""

from __future__ import annotations

import os
import tomllib
from collections.abc import Mapping
from dataclasses import replace
from importlib import resources
from pathlib import Path
from typing import Any

from benchd.errors import Complaint, SettingsError
from benchd.rehearsal.acts import ACTS, COMMON_KEYS, WAYS, Act, way_fits
from benchd.rehearsal.resin import RESINS, ResinTruth
from benchd.rehearsal.scenario import (
    BoardSpec,
    CupSpec,
    LotSpec,
    MoldSpec,
    PotSpec,
    RoomSpec,
    Scenario,
    StudioSpec,
)
from benchd.rehearsal.strict_tables import StrictTables, nearest
from benchd.rehearsal.supply import SupplySpec
from benchd.rehearsal.vessel import VesselSpec

TABLES: Mapping[str, type[Any]] = {
    "studio": StudioSpec,
    "board": BoardSpec,
    "room": RoomSpec,
    "supply": SupplySpec,
    "vessel": VesselSpec,
    "pot": PotSpec,
}
LISTS: Mapping[str, tuple[type[Any], str, str]] = {
    "cup": (CupSpec, "id", "cups"),
    "mold": (MoldSpec, "code", "molds"),
    "lot": (LotSpec, "code", "lots"),
}
HEAD_KEYS = ("name", "title", "lead_s", "end_s", "base", "skip", "delay_from_s", "delay_s", "then")


def scenario_names() -> tuple[str, ...]:
    """The scenarios that come with benchd."""
    folder = resources.files("benchd.rehearsal") / "scenarios"
    return tuple(sorted(f.name[:-5] for f in folder.iterdir() if f.name.endswith(".toml")))


def load_scenario(name_or_path: str | os.PathLike[str]) -> Scenario:
    """A scenario by its name, or from a TOML file.  Raises SettingsError with every complaint."""
    return _Reader(name_or_path).scenario()


class _Reader(StrictTables):
    """Reads one file, and the one it is based on, collecting complaints."""

    def __init__(self, name_or_path: str | os.PathLike[str]) -> None:
        file, text = _text_of(name_or_path)
        try:
            super().__init__(file, tomllib.loads(text))
        except tomllib.TOMLDecodeError as error:
            raise SettingsError(Complaint(file, "(the file)", f"is not TOML: {error}")) from error

    def scenario(self) -> Scenario:
        head = self.table("scenario")
        known = (*TABLES, *LISTS, "scenario", "act", "resin")
        for key in self.raw:
            if key not in known:
                self.complain(key, "unknown table", nearest(key, known))
        for key in head:
            if key not in HEAD_KEYS:
                self.complain(f"scenario.{key}", "unknown key", nearest(key, HEAD_KEYS))
        base = self._base(head)
        made: Scenario = replace(base, name=str(head.get("name", Path(self.file).stem)), **self._head(head))
        parts: dict[str, Any] = {k: self.updated(getattr(base, k), self.table(k), k) for k in TABLES}
        for key, (cls, by, attribute) in LISTS.items():
            parts[attribute] = self._merged(cls, by, getattr(base, attribute), key)
        made = replace(made, **parts)
        made = replace(made, resins=dict(base.resins) | self._resins())
        made, later = self._followed(made, head)
        acts = [*self._kept(base.acts, head), *later, *self._acts()]
        made = replace(made, acts=tuple(sorted(acts, key=lambda act: act.at_s)))
        self._check(made)
        if self.complaints:
            raise SettingsError(self.complaints)
        return made

    def _base(self, head: Mapping[str, Any]) -> Scenario:
        if "base" not in head:
            return Scenario(name="", cups=())
        if "base" in (nested := _Reader(str(head["base"]))).table("scenario"):
            self.complain(
                "scenario.base", "is itself based on another", f"Base on {nested.table('scenario')['base']!r}."
            )
            return Scenario(name="", cups=())
        return nested.scenario()

    def _followed(self, made: Scenario, head: Mapping[str, Any]) -> tuple[Scenario, list[Act]]:
        """With the molds and lots of the scenarios that follow, and their acts, moved to their time of the day."""
        acts: list[Act] = []
        for i, row in enumerate(head.get("then", [])):
            place = f"scenario.then[{i + 1}]"
            by_s = _seconds(row.get("at")) if isinstance(row, Mapping) else None
            if by_s is None:
                self.complain(place, "needs a scenario and a time", 'write { scenario = "load-2", at = "1:40:00" }')
                continue
            nested = _Reader(str(row.get("scenario", "")))
            if "then" in nested.table("scenario"):
                self.complain(place, "is itself followed by others", "Name those here, one by one.")
                continue
            later = nested.scenario()
            molds = {m.code: m for m in later.molds} | {m.code: m for m in made.molds}
            lots = {x.code: x for x in later.lots} | {x.code: x for x in made.lots}
            made = replace(made, molds=tuple(molds.values()), lots=tuple(lots.values()))
            acts += [replace(act, at_s=act.at_s + by_s) for act in later.acts]
        return made, acts

    def _head(self, head: Mapping[str, Any]) -> dict[str, Any]:
        wanted = {"title": str, "lead_s": float, "end_s": float}
        return {k: self.value(head[k], kind, f"scenario.{k}") for k, kind in wanted.items() if k in head}

    def _kept(self, acts: tuple[Act, ...], head: Mapping[str, Any]) -> list[Act]:
        skip = head.get("skip", [])
        for name in skip:
            if name not in ACTS:
                self.complain("scenario.skip", f"{name!r} is not an act", nearest(str(name), ACTS))
        start_s, late_s = float(head.get("delay_from_s", 0.0)), float(head.get("delay_s", 0.0))
        kept = [a for a in acts if a.do not in skip]
        return [replace(a, at_s=a.at_s + late_s) if a.at_s >= start_s else a for a in kept]

    def _merged(self, cls: type[Any], by: str, base: tuple[Any, ...], key: str) -> tuple[Any, ...]:
        rows = {getattr(item, by): item for item in base}
        for i, row in enumerate(self.rows(key)):
            place = f"{key}[{i + 1}]"
            name = row.get(by, CupSpec().id if cls is CupSpec else None)
            if name in rows and (base or cls is not CupSpec):
                rows[name] = self.updated(rows[name], row, place)
            elif (made := self.made(cls, row, place)) is not None:
                rows[name] = made
        return tuple(rows.values()) or ((CupSpec(),) if cls is CupSpec else ())

    def _resins(self) -> dict[str, ResinTruth]:
        out: dict[str, ResinTruth] = {}
        for i, row in enumerate(self.rows("resin")):
            like, name = str(row.get("like", "fast-white")), str(row.get("name", ""))
            if like not in RESINS or not name:
                self.complain(f"resin[{i + 1}]", "needs a name and like = a known resin", nearest(like, RESINS))
                continue
            rest = {k: v for k, v in row.items() if k not in ("like", "name")}
            out[name] = self.updated(RESINS[like], rest, f"resin[{i + 1}]")
        return out

    def _acts(self) -> list[Act]:
        made = [self._act(row, f"act[{i + 1}]") for i, row in enumerate(self.rows("act"))]
        return [act for act in made if act is not None]

    def _act(self, row: Mapping[str, Any], place: str) -> Act | None:
        do = row.get("do")
        if do not in ACTS:
            self.complain(f"{place}.do", f"{do!r} is not an act", nearest(str(do), ACTS))
            return None
        kind = ACTS[do]
        for key in row:
            if key not in (*COMMON_KEYS, *kind.needs, *kind.may):
                self.complain(f"{place}.{key}", f"{do} does not know this key", nearest(key, (*kind.needs, *kind.may)))
        for key in kind.needs:
            if key not in row:
                self.complain(f"{place}.{key}", f"{do} needs it")
        at_s = _seconds(row.get("at"))
        if at_s is None:
            self.complain(f"{place}.at", f"{row.get('at')!r} is not a time", 'write seconds after the mix, or "2:24"')
        rest = {k: v for k, v in row.items() if k != "at" and k in (*COMMON_KEYS, *kind.needs, *kind.may)}
        values = self.values(Act, rest, place)
        if values.get("way") in WAYS and not way_fits(do, values["way"]):
            self.complain(f"{place}.way", f"{do} cannot be reported by {values['way']!r}")
        return Act(**(values | {"at_s": at_s or 0.0}))

    def _check(self, made: Scenario) -> None:
        """Every name an act or lot points at exists; the first mix is the script's zero."""
        known = {
            "cup": [c.id for c in made.cups],
            "mold": [m.code for m in made.molds],
            "lot": [x.code for x in made.lots],
        }
        for act in made.acts:
            pairs = [("cup", act.cup), ("mold", act.mold), ("lot", act.lot), *(("mold", m) for m in act.molds)]
            for what, name in pairs:
                if name and name not in known[what]:
                    self.complain(f"act {act.do}", f"no {what} {name!r}", nearest(name, known[what]))
        for lot in made.lots:
            if lot.resin not in made.resins:
                self.complain(f"lot {lot.code}", f"no resin {lot.resin!r}", nearest(lot.resin, made.resins))
        if not any(act.do == "mix" for act in made.acts) and not self.complaints:
            self.complain("act", "nothing is mixed", 'Add an [[act]] with do = "mix".')


def _seconds(value: Any) -> float | None:
    """Seconds from a number, "[-]m:ss" or "[-]h:mm:ss"."""
    if isinstance(value, int | float) and not isinstance(value, bool):
        return float(value)
    if not isinstance(value, str) or value.count(":") not in (1, 2):
        return None
    parts = value.removeprefix("-").split(":")
    if not all(part.isascii() and part.isdigit() for part in parts):
        return None
    total = 0.0
    for part in parts:
        total = 60.0 * total + int(part)
    return -total if value.startswith("-") else total


def _text_of(name_or_path: str | os.PathLike[str]) -> tuple[str, str]:
    """(file name for complaints, text)."""
    name = os.fspath(name_or_path)
    if name in scenario_names():
        return f"{name}.toml", (resources.files("benchd.rehearsal") / "scenarios" / f"{name}.toml").read_text("utf-8")
    try:
        return name, Path(name).read_text("utf-8")
    except (OSError, UnicodeDecodeError) as error:
        remedy = f"{nearest(name, scenario_names())} (or the path of a TOML file)"
        raise SettingsError(Complaint(name, "scenario", "no such scenario", remedy)) from error
