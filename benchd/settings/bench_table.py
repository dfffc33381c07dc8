"""Reads [bench], [page] and [journal]: name and zone, where the page listens, the journal's path and ages."""

from __future__ import annotations

import ipaddress
import re
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path

from benchd.core.bench import Bench, Quiet
from benchd.errors import did_you_mean
from benchd.runtime.journal.age.keep import Keep
from benchd.settings.daemon_shapes import JournalTable, PageTable
from benchd.settings.place import (
    parse_quiet_hours,
    standard_pressure_kpa,
    system_timezone,
    utc_offsets,
)
from benchd.settings.shapes import BenchTable
from benchd.settings.toml_file import TomlFile, slug
from benchd.settings.toml_tables import single

LABEL = r"[A-Za-z0-9](?:[A-Za-z0-9-]{0,61}[A-Za-z0-9])?"


@dataclass(frozen=True, slots=True)
class PageAddress:
    """Where the HTTP interface listens; with `pairing`, over HTTPS for paired phones, under `names`.

    `certificate` and `key` are the user's own; without them benchd makes both.
    """

    host: str = "127.0.0.1"
    port: int = 8127
    pairing: bool = False
    names: tuple[str, ...] = ()
    certificate: Path | None = None
    key: Path | None = None

    @property
    def url(self) -> str:
        """What a browser opens: by the first of `names` over HTTPS, else on this machine."""
        host = self.names[0] if self.pairing and self.names else self.host
        host = "127.0.0.1" if host == "0.0.0.0" else host
        return f"http{'s' if self.pairing else ''}://{f'[{host}]' if ':' in host else host}:{self.port}"


def bare_bench(file: TomlFile, resins: Sequence[str], now_t: float) -> tuple[Bench, str]:
    """The [bench] table as a bench with nothing on it yet, and its time zone."""
    table = single(file, "bench", BenchTable, is_needed=True)
    if table is None:  # complained of; the rest is judged on a bench with default units
        return Bench(id="bench", shop="bench", name="bench"), "UTC"
    timezone = _timezone(file, table)
    bench = Bench(
        id=_id(file, table),
        shop=table.shop,
        name=table.name,
        pressure_unit=table.units.pressure,
        temperature_unit=table.units.temperature,
        p_atm_kpa=standard_pressure_kpa(table.altitude),
        default_resin=_default_resin(file, table, resins),
        quiet=_quiet(file, table),
        utc_offsets=utc_offsets(timezone, now_t),
    )
    return bench, timezone


def _id(file: TomlFile, table: BenchTable) -> str:
    made = table.id or slug(table.name)
    if not made:
        file.complain(("bench", "id"), "is missing, and the name has no letter to make it from", 'write id = "bench-1"')
    return made


def _timezone(file: TomlFile, table: BenchTable) -> str:
    name = table.timezone or system_timezone()
    if name is None:
        remedy = 'write for example timezone = "Europe/Oslo"'
        file.caution(("bench", "timezone"), "the system names no time zone: UTC is taken", remedy)
        return "UTC"
    try:
        utc_offsets(name, 0.0)
    except (LookupError, ValueError, OSError):
        remedy = "write a name of the IANA time zone database, for example Europe/Oslo"
        file.complain(("bench", "timezone"), f'no time zone "{name}"', remedy)
        return "UTC"
    return name


def _default_resin(file: TomlFile, table: BenchTable, resins: Sequence[str]) -> str | None:
    path = ("bench", "default_resin")
    if table.default_resin is not None and table.default_resin not in resins:
        remedy = did_you_mean(table.default_resin, resins) or "write its label into resins/"
        file.complain(path, f'no resin "{table.default_resin}" in resins/', remedy)
    if not resins:
        file.caution(path, "no resin is known: no kick can be forecast before the cup shows it", "add resins/NAME.toml")
    elif table.default_resin is None and len(resins) > 1:
        remedy = f"known: {', '.join(resins)}"
        file.caution(path, "is missing: a pour without a lot has no label to go by", remedy)
    return table.default_resin


def _quiet(file: TomlFile, table: BenchTable) -> Quiet:
    try:
        return parse_quiet_hours(table.quiet_hours)
    except ValueError:
        file.complain(("bench", "quiet_hours"), "is not a span of hours", 'write for example "22:00-07:00"')
        return Quiet()


def page_address(file: TomlFile, home: Path) -> PageAddress:
    """[page] listen, which must be loopback unless phones are paired; file names start at the config's folder."""
    table = single(file, "page", PageTable) or PageTable()
    host, _, port = table.listen.rpartition(":")
    host = host.strip("[]")
    remedy = 'write listen = "127.0.0.1:8127"'
    try:
        address = ipaddress.ip_address("127.0.0.1" if host == "localhost" else host)
        if not 0 <= int(port) <= 65535:
            raise ValueError(port)
    except ValueError:
        file.complain(("page", "listen"), "is not an address and a port", remedy)
        return PageAddress()
    if not address.is_loopback and not table.pairing:
        problem = f"{host} can be reached from other machines, and anyone there could look and mark"
        file.complain(("page", "listen"), problem, f"{remedy}, or pairing = true for HTTPS and paired phones only")
    return PageAddress(
        str(address),
        int(port),
        table.pairing,
        _page_names(file, table, address),
        *_own_certificate(file, table, home),
    )


def _page_names(
    file: TomlFile, table: PageTable, address: ipaddress.IPv4Address | ipaddress.IPv6Address
) -> tuple[str, ...]:
    """The names phones open the page by, lower case: [page] names, else the address listened on."""
    if table.pairing and not table.names and address.is_unspecified:
        remedy = 'write names = ["bench.lan", "192.168.7.20"]: what phones open the page by'
        file.complain(("page", "names"), f"is missing: {address} is every address of this machine", remedy)
    for name in table.names:
        if not _is_host(name):
            file.complain(
                ("page", "names"), f'"{name}" is neither a host name nor an address', 'write for example "bench.lan"'
            )
    return tuple(name.lower() for name in table.names) or (str(address),)


def _is_host(name: str) -> bool:
    """RFC 1123 section 2.1: labels of letters, digits and inner hyphens; or an address."""
    try:
        ipaddress.ip_address(name)
    except ValueError:
        is_number = re.fullmatch(r"[0-9.]+", name) is not None
        return len(name) <= 253 and not is_number and re.fullmatch(rf"{LABEL}(\.{LABEL})*", name) is not None
    return True


def _own_certificate(file: TomlFile, table: PageTable, home: Path) -> tuple[Path | None, Path | None]:
    """The user's certificate and key: both or neither."""
    if (table.certificate is None) != (table.key is None):
        missing = "key" if table.key is None else "certificate"
        file.complain(
            ("page", missing), "is missing: a certificate and its key go together", f'write {missing} = "FILE"'
        )
    files = [None if name is None else home / Path(name).expanduser() for name in (table.certificate, table.key)]
    return files[0], files[1]


def journal_of(file: TomlFile, home: Path, state: Path) -> tuple[Path, Keep]:
    """[journal]: its path, from the config's folder when relative, by default in the state directory; its ages."""
    table = single(file, "journal", JournalTable)
    if table is None:
        return state / "journal.db", Keep()
    path = state / "journal.db" if table.path is None else home / Path(table.path).expanduser()
    return path, Keep(table.keep_lines, table.keep_minutes, table.keep_words, table.keep_findings)
