"""Whose bench is it, where does it stand, where does its page listen and its journal lie?"""

from __future__ import annotations

import ipaddress
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path

from benchd.core.bench import Bench, Quiet
from benchd.settings.place import (
    parse_quiet_hours,
    standard_pressure_kpa,
    state_directory,
    system_timezone,
    utc_offsets,
)
from benchd.settings.shapes import BenchTable, JournalTable, PageTable
from benchd.settings.sheets import Sheet, did_you_mean, slug
from benchd.settings.tables import single


@dataclass(frozen=True, slots=True)
class PageAddress:
    """Where the HTTP interface listens."""

    host: str = "127.0.0.1"
    port: int = 8127


def bare_bench(sheet: Sheet, resins: Sequence[str], now_t: float) -> tuple[Bench, str]:
    """The [bench] table as a bench with nothing on it yet, and its time zone."""
    table = single(sheet, "bench", BenchTable, is_needed=True)
    if table is None:  # complained of; the rest is judged on a bench with default units
        return Bench(id="bench", shop="bench", name="bench"), "UTC"
    timezone = _timezone(sheet, table)
    bench = Bench(
        id=_id(sheet, table),
        shop=table.shop,
        name=table.name,
        pressure_unit=table.units.pressure,
        temperature_unit=table.units.temperature,
        p_atm_kpa=standard_pressure_kpa(table.altitude),
        default_resin=_default_resin(sheet, table, resins),
        quiet=_quiet(sheet, table),
        utc_offsets=utc_offsets(timezone, now_t),
    )
    return bench, timezone


def _id(sheet: Sheet, table: BenchTable) -> str:
    made = table.id or slug(table.name)
    if not made:
        sheet.complain(
            ("bench", "id"), "is missing, and the name has no letter to make it from", 'write id = "bench-1"'
        )
    return made


def _timezone(sheet: Sheet, table: BenchTable) -> str:
    name = table.timezone or system_timezone()
    if name is None:
        remedy = 'write for example timezone = "Europe/Oslo"'
        sheet.caution(("bench", "timezone"), "the system names no time zone: UTC is taken", remedy)
        return "UTC"
    try:
        utc_offsets(name, 0.0)
    except (LookupError, ValueError, OSError):
        remedy = "write a name of the IANA time zone database, for example Europe/Oslo"
        sheet.complain(("bench", "timezone"), f'no time zone "{name}"', remedy)
        return "UTC"
    return name


def _default_resin(sheet: Sheet, table: BenchTable, resins: Sequence[str]) -> str | None:
    path = ("bench", "default_resin")
    if table.default_resin is not None and table.default_resin not in resins:
        remedy = did_you_mean(table.default_resin, resins) or "write its label into resins/"
        sheet.complain(path, f'no resin "{table.default_resin}" in resins/', remedy)
    if not resins:
        sheet.caution(
            path, "no resin is known: no kick can be foretold before the cup shows it", "add resins/NAME.toml"
        )
    elif table.default_resin is None and len(resins) > 1:
        remedy = f"known: {', '.join(resins)}"
        sheet.caution(path, "is missing: a pour without a lot has no label to go by", remedy)
    return table.default_resin


def _quiet(sheet: Sheet, table: BenchTable) -> Quiet:
    try:
        return parse_quiet_hours(table.quiet_hours)
    except ValueError:
        sheet.complain(("bench", "quiet_hours"), "is not a span of hours", 'write for example "22:00-07:00"')
        return Quiet()


def page_address(sheet: Sheet) -> PageAddress:
    """[page] listen, which must be loopback: there is no way in for a phone yet that asks who is there."""
    table = single(sheet, "page", PageTable) or PageTable()
    host, _, port = table.listen.rpartition(":")
    host = host.strip("[]")
    remedy = 'write listen = "127.0.0.1:8127"'
    try:
        address = ipaddress.ip_address("127.0.0.1" if host == "localhost" else host)
        if not 0 <= int(port) <= 65535:
            raise ValueError(port)
    except ValueError:
        sheet.complain(("page", "listen"), "is not an address and a port", remedy)
        return PageAddress()
    if not address.is_loopback:
        problem = f"{host} can be reached from other machines, and the page does not ask yet who is there"
        sheet.complain(("page", "listen"), problem, f"{remedy}; the phone hears the bench over MQTT")
    return PageAddress(str(address), int(port))


def journal_path(sheet: Sheet, home: Path) -> Path:
    """[journal] path, taken from the config's folder when relative; by default in the state directory."""
    table = single(sheet, "journal", JournalTable)
    if table is None or table.path is None:
        return state_directory() / "journal.db"
    return home / Path(table.path).expanduser()
