"""Loads a whole configuration: bench.toml, shelf.toml and resins/ -> one checked bench, or all complaints.

Every file is read and every table checked before anything is raised: one run shows a person everything that is wrong.
"""

from __future__ import annotations

import hashlib
import json
import time
from collections.abc import Mapping
from dataclasses import dataclass, field, replace
from pathlib import Path
from typing import Any

from pydantic import BaseModel

from benchd import __version__
from benchd.core.bench import Bench
from benchd.core.bench.context import context_parts
from benchd.core.format.learned_form import learned_body
from benchd.core.model import Context
from benchd.core.model.learned import Learned
from benchd.errors import Complaint, SettingsError, did_you_mean
from benchd.runtime.journal.age.keep import Keep
from benchd.settings.bench_table import PageAddress, bare_bench, journal_of, page_address
from benchd.settings.channels import Known, channel_of
from benchd.settings.labels import lot_of, resin_of
from benchd.settings.place import utc_offsets
from benchd.settings.places import Places, cautions, places_of
from benchd.settings.plug_ins import (
    Catalogue,
    checksum_of,
    clock_of,
    mind_channels,
    outlets_of,
    sends_of,
    sources_of,
    tune_of,
)
from benchd.settings.recipes import made_recipe
from benchd.settings.shapes import (
    LISTED,
    NAMED,
    SHELF,
    SINGLE,
    ChannelTable,
    CupTable,
    LotTable,
    MoldTable,
    PotTable,
    RecipeTable,
    ResinTable,
)
from benchd.settings.toml_file import Notes, TomlFile, checked, is_id, toml_file
from benchd.settings.toml_tables import by_code, listed, named, refuse_clashes, written_ids
from benchd.settings.vessels import cup_of, mold_of, pot_of

OWN_TABLES = (*SINGLE, *NAMED, *LISTED, "source", "tune")


@dataclass(frozen=True, slots=True)
class Loaded:
    """A checked configuration: the core's bench, each plug-in's own settings, and what the shell needs."""

    bench: Bench
    sources: Mapping[str, BaseModel]
    outlets: Mapping[str, BaseModel]
    page: PageAddress
    journal_path: Path
    places: Places
    timezone: str
    warnings: tuple[Complaint, ...]
    keep: Keep = field(default_factory=Keep)

    def context(self, t: float, learned: Learned | None = None) -> Context:
        """What the core may know, as an input at t; the hash covers all of it but the UTC offsets and the version."""
        config, shelf, resins = context_parts(self.bench)
        known = learned or Learned()
        plain = json.dumps(
            [config, shelf, resins, learned_body(known)], sort_keys=True, separators=(",", ":"), allow_nan=False
        )
        digest = hashlib.sha256(plain.encode()).hexdigest()
        return Context(t, config, shelf, resins, known, utc_offsets(self.timezone, t), __version__, digest)


def shown_in(loaded: Loaded) -> dict[str, Any]:
    """The units and the zone in which this bench shows what it says, for a command that asks its daemon."""
    units = {"pressure": loaded.bench.pressure_unit, "temperature": loaded.bench.temperature_unit}
    return {"units": units, "timezone": loaded.timezone}


@dataclass(frozen=True, slots=True)
class _Files:
    """The files of one configuration, in the order complaints about them are shown."""

    bench: TomlFile
    shelf: TomlFile
    resins: Mapping[str, TomlFile]


def load(
    path_bench: Path,
    path_shelf: Path | None = None,
    resins_dir: Path | None = None,
    *,
    catalogue: Catalogue,
    now_t: float | None = None,
) -> Loaded:
    """Read and check a configuration.

    Shelf and resins are those of `places_of`; a missing shelf is an empty one and a warning.  `now_t` [unix s] only
    chooses the years whose UTC offsets are kept.  Raises SettingsError with every complaint of every file.
    """
    notes = Notes()
    places = places_of(path_bench, path_shelf)
    files = _read(places, resins_dir or places.resins, notes)
    notes.cautions += cautions(places)
    loaded = None
    if files.bench.is_read:
        loaded = _loaded(files, catalogue, time.time() if now_t is None else now_t, places)
    if loaded is None or notes.complaints:
        order = [file.name for file in (files.bench, files.shelf, *files.resins.values())]
        raise SettingsError(sorted(notes.complaints, key=lambda c: (order.index(c.file), c.line or 0)))
    return loaded


def _read(places: Places, resins_dir: Path, notes: Notes) -> _Files:
    bench = toml_file(places.bench, notes)
    if not places.is_shelf_named and not places.shelf.exists():
        shelf = TomlFile(str(places.shelf), notes)
        shelf.caution(
            ("file",), "is not there: no mold and no lot is known", "write [[mold]] and [[lot]] tables into it"
        )
    else:
        shelf = toml_file(places.shelf, notes)
    return _Files(bench, shelf, {path.stem: toml_file(path, notes) for path in sorted(resins_dir.glob("*.toml"))})


def _loaded(files: _Files, catalogue: Catalogue, now_t: float, places: Places) -> Loaded:
    file, home = files.bench, places.bench.parent
    bench, timezone = bare_bench(file, tuple(files.resins), now_t)
    sources = sources_of(file, catalogue)
    bench = replace(
        _with_shelf(bench, files, timezone),
        tune=tune_of(file, catalogue),
        sources=tuple((id, checksum_of(settings)) for id, settings in sources.items()),
        clocks=tuple((id, clock) for id, settings in sources.items() if (clock := clock_of(settings)) is not None),
    )
    bench, outlets = _with_vessels(bench, files, sources), outlets_of(file, catalogue, OWN_TABLES)
    mind_channels(file, outlets, [channel.id for channel in bench.channels])
    journal_path, keep = journal_of(file, home, places.state)
    return Loaded(
        bench=bench,
        sources=sources,
        outlets=outlets,
        page=page_address(file, home),
        journal_path=journal_path,
        places=places,
        timezone=timezone,
        warnings=tuple(file.notes.cautions),
        keep=keep,
    )


def _with_shelf(bench: Bench, files: _Files, timezone: str) -> Bench:
    shelf = files.shelf
    tables = {id: _resin_table(file, id) for id, file in files.resins.items()}
    resins = [resin_of(files.resins[id], id, table) for id, table in tables.items() if table is not None]
    molds = by_code(shelf, "mold", MoldTable, lambda path, table: mold_of(shelf, path, table, tables, timezone))
    lots = by_code(shelf, "lot", LotTable, lambda path, table: lot_of(shelf, path, table, tables, timezone))
    recipes = by_code(shelf, "recipe", RecipeTable, lambda path, table: made_recipe(shelf, path, table))
    for name in shelf.values:
        if name not in SHELF:
            shelf.complain((name,), "no such table", did_you_mean(name, SHELF))
    return replace(
        bench, resins=tuple(resins), molds=tuple(molds.values()), lots=tuple(lots.values()),
        recipes=tuple(recipes.values()),
    )  # fmt: skip


def _resin_table(file: TomlFile, id: str) -> ResinTable | None:
    """A resin file's table, if it is sound."""
    if not is_id(id):
        file.complain(("file",), "its name is the resin's id: a-z, 0-9 and - only, at most 32", "rename the file")
    return checked(file, (), file.values, ResinTable) if file.is_read else None


def _with_vessels(bench: Bench, files: _Files, sources: Mapping[str, BaseModel]) -> Bench:
    file, unit = files.bench, bench.pressure_unit
    pots = [pot_of(file, id, table, unit) for id, table in named(file, "pot", PotTable)]
    cups = [cup_of(id, table) for id, table in named(file, "cup", CupTable)]
    known = Known(
        sources=written_ids(file, "source", "id"),
        cups=written_ids(file, "cup"),
        molds=written_ids(files.shelf, "mold", "code"),
        pots=written_ids(file, "pot"),
        marked_kpa={pot.id: pot.marked_kpa for pot in pots},
        p_atm_kpa=bench.p_atm_kpa,
        pressure_unit=unit,
        sends={id: sent for id, settings in sources.items() if (sent := sends_of(settings)) is not None},
    )
    channels = [(path, channel_of(file, path, table, known)) for path, table in listed(file, "channel", ChannelTable)]
    senml = [(channel.source, channel.senml) for _, channel in channels]
    for index, (path, _) in enumerate(channels):
        if senml[index] in senml[:index]:
            file.complain((*path, "senml"), f'"{senml[index][1]}" is read by another channel', "one channel a name")
    refuse_clashes(
        [(file, ("pot", pot.id), "pot", pot.id) for pot in pots]
        + [(file, ("cup", cup.id), "cup", cup.id) for cup in cups]
        + [(files.shelf, ("mold", i), "mold", mold.id) for i, mold in enumerate(bench.molds)]
        + [(file, (*path, "id"), "channel", channel.id) for path, channel in channels]
    )
    return replace(bench, pots=tuple(pots), cups=tuple(cups), channels=tuple(channel for _, channel in channels))
