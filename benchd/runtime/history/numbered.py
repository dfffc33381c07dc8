"""Finds the load or pour that a person names: "last", its number ("2", as benchd says it), or its id."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import UTC, datetime
from typing import Literal

from benchd.core.bench import Bench
from benchd.core.bench.local_day import DAY_S
from benchd.errors import JournalError, did_you_mean
from benchd.runtime.journal.reader import Readable

Kind = Literal["load", "pour"]
BEGUN: dict[Kind, str] = {"load": "load_closed", "pour": "pour_started"}
NEWEST = 5


class NotOnRecord(JournalError):
    """No load or pour has this name; the text lists the newest."""


async def named(journal: Readable, bench: Bench, kind: Kind, asked: str) -> str:
    """The id of a load or pour; a number is the latest that has it, or with @DATE that day's.  Raises NotOnRecord."""
    asked = asked.strip().lower()
    number, _, day = asked.partition("@")
    known = await _known(journal, kind)
    stood = [one for one in known if not one.is_undone]
    if asked == "last" and stood:
        return stood[-1].id
    if number.isdecimal():
        begun = _day(bench, day)
        fitting = [n.id for n in stood if n.number == int(number) and (begun is None or begun <= n.t < begun + DAY_S)]
        if fitting:
            return fitting[-1]
    for one in known:
        if one.id.lower() == asked:
            return one.id
    if asked == "last":
        raise NotOnRecord(f"no {kind} is on record yet")
    raise NotOnRecord(
        f'no {kind} "{asked}"' + (f"; {_remedy(bench, asked, stood)}" if stood else ": none is on record")
    )


@dataclass(frozen=True, slots=True)
class _Begun:
    """A load or pour on record."""

    id: str
    number: int
    t: float
    is_undone: bool


async def _known(journal: Readable, kind: Kind) -> list[_Begun]:
    """Every load or pour, in order."""
    undone = "SELECT pour FROM effects WHERE name = 'pour_ended' AND json_extract(body, '$.why') = 'undone'"
    sql = (
        f"SELECT {kind}, json_extract(body, '$.number'), t, coalesce({kind} IN ({undone}), 0) FROM effects "
        f"WHERE kind = 'finding' AND name = ? AND {kind} IS NOT NULL ORDER BY number"
    )
    return [_Begun(str(i), int(n or 0), float(t), bool(u)) for i, n, t, u in await journal.rows(sql, (BEGUN[kind],))]


def _day(bench: Bench, day: str) -> float | None:
    """Midnight of a written date at the bench [unix s]; None for none."""
    if not day:
        return None
    try:
        noon = datetime.strptime(day, "%Y-%m-%d").replace(hour=12, tzinfo=UTC).timestamp()
    except ValueError:
        raise NotOnRecord(f'"{day}" is not a date; write it as 2026-01-05') from None
    return bench.midnight_t(noon - bench.utc_offset_s(noon))


def _remedy(bench: Bench, asked: str, known: list[_Begun]) -> str:
    near = did_you_mean(asked, [one.id for one in known]) if "-" in asked else ""
    if near.startswith("did"):
        return near
    return "the newest are " + ", ".join(f"{one.number}@{_date(bench, one.t)} ({one.id})" for one in known[-NEWEST:])


def _date(bench: Bench, t: float) -> str:
    return datetime.fromtimestamp(t + bench.utc_offset_s(t), UTC).strftime("%Y-%m-%d")


async def newest(journal: Readable, kind: Kind, most: int = 20) -> list[str]:
    """The ids of the newest loads or pours, newest first."""
    return [one.id for one in reversed(await _known(journal, kind)) if not one.is_undone][:most]
