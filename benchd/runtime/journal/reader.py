"""Reads the journal: inputs, effects, checkpoints, minutes.

Sealed blocks, bundles and plain rows are read as one; nothing here writes.  Every query raises JournalError when the
file cannot be read.  Long answers come page by page, so that the writer can run in between.
"""

from __future__ import annotations

import json
from collections.abc import AsyncIterator, Sequence
from dataclasses import dataclass
from typing import Any, Protocol, cast

from benchd.core.bench import Bench
from benchd.core.bench.context import bench_from_context
from benchd.core.casting.retold import PHASE_NAMES
from benchd.core.format.record import as_meant, from_record, is_time
from benchd.core.model import Alert, Context, Gap, Input, Line, RawLine, Standing
from benchd.errors import DecodeError, JournalError
from benchd.runtime.files.expand import expand
from benchd.runtime.journal.bundles import BEYOND, NEXT_BUNDLES, REACHED, bundle_at, line_at
from benchd.runtime.journal.effect_pages import Wanted, effect_pages
from benchd.runtime.journal.effects import alert_in, printed_in
from benchd.runtime.journal.packed_lines import unpack
from benchd.runtime.journal.rows import KEPT_CHECKPOINTS, KIND_OF_0_1_0, Checkpoint, MinuteRow, Reached
from benchd.runtime.journal.seal import Phase, phase_from

PAGE = 1000
BUNDLES = 40  # read at once: about a page's worth while idle
PINNED_BACK_S = 3600.0
ALERTS_SINCE = "alerts_since"  # the key of meta: no alert stands whose newest transition has a lower number
MOST_CONTEXT_BYTES = 16 * 2**20  # a hundred times a large shelf with its learned tables

_MINUTES = """
SELECT minute, sum(n), min(lo), sum(mean * n) / sum(n), max(hi) FROM (
    SELECT minute, n, lo, mean, hi FROM minutes WHERE channel = ?1 AND minute {which}
    UNION ALL SELECT minute, n, lo, mean, hi FROM fresh_minutes WHERE channel = ?1 AND minute {which})
GROUP BY minute ORDER BY minute
"""


class Readable(Protocol):
    """Anything that answers a query with rows: the journal."""

    async def rows(self, sql: str, values: tuple[Any, ...] = ...) -> list[tuple[Any, ...]]: ...


@dataclass(frozen=True, slots=True)
class Told:
    """One stored effect: its number, the last input stepped before it, its kind, its name or code, its printed form."""

    number: int
    seq: int
    t: float
    kind: str
    name: str
    body: dict[str, Any]


class Logbook:
    """Queries over one journal; `unreadable` collects the numbers of the effects that were left out as damaged."""

    def __init__(self, journal: Readable) -> None:
        self._journal = journal
        self.unreadable: set[int] = set()

    async def meta(self, key: str) -> str | None:
        """The value stored under a key of the meta table, None when there is none."""
        found = await self._journal.rows("SELECT value FROM meta WHERE key = ?", (key,))
        return str(found[0][0]) if found else None

    async def reached(self) -> Reached | None:
        """How far the engine had come at the last commit: from its bundle, or from `meta` where it had no lines."""
        text = await self.meta("reached")
        found = [Reached(*json.loads(text))] if text else []
        found += [Reached(*row) for row in await self._journal.rows(REACHED)]
        return max(found, key=lambda r: (r.seq, r.t, r.told), default=None)

    async def last_seq(self) -> int:
        """The highest sequence number of any input, 0 when there is none."""
        found = await self._journal.rows(
            "SELECT max(coalesce((SELECT max(seq) FROM inputs), 0), coalesce((SELECT max(last_seq) FROM blocks), 0), "
            "coalesce((SELECT last_seq FROM bundles ORDER BY first_seq DESC LIMIT 1), 0))"
        )
        return int(found[0][0])

    async def last_t(self) -> float:
        """The newest bench time in the journal [unix s], 0.0 when empty: bench time must not start before it."""
        found = await self._journal.rows(
            "SELECT max(coalesce((SELECT max(t) FROM inputs), 0), "
            "coalesce((SELECT last_t FROM bundles ORDER BY first_seq DESC LIMIT 1), 0))"
        )
        reached = await self.reached()
        return max(float(found[0][0]), reached.t if reached else 0.0)

    async def last_number(self) -> int:
        """The highest number of any effect, 0 when there is none."""
        found = await self._journal.rows("SELECT coalesce(max(number), 0) FROM effects")
        return int(found[0][0])

    async def checkpoints(self) -> list[Checkpoint]:
        """The intact checkpoints, newest first."""
        return await self._points("id > 0 ORDER BY id DESC LIMIT ?", KEPT_CHECKPOINTS)

    async def checkpoint_before(self, t: float) -> Checkpoint | None:
        """The intact checkpoint nearest before t, of the hour before it; None where none was kept."""
        found = await self._points("t <= ? AND t > ? ORDER BY t DESC, id DESC LIMIT 1", t, t - PINNED_BACK_S)
        return found[0] if found else None

    async def _points(self, where: str, *values: float) -> list[Checkpoint]:
        found = await self._journal.rows(f"SELECT seq, t, told, body, crc FROM checkpoints WHERE {where}", values)
        points = [(Checkpoint(seq, t, told, body), crc) for seq, t, told, body, crc in found]
        return [point for point, crc in points if point.crc == crc]

    # -- inputs

    async def inputs(self, after_seq: int = 0, upto_seq: int | None = None) -> AsyncIterator[tuple[int, Input]]:
        """Inputs in order, those with after_seq < seq <= upto_seq."""
        end = upto_seq if upto_seq is not None else BEYOND
        while True:
            rows, after_seq = await self._page(after_seq, end)
            for row in rows:
                yield row
            if after_seq >= end or not rows:
                return

    async def plain(self, after_seq: int, upto_seq: int) -> AsyncIterator[tuple[int, Line | RawLine]]:
        """Raw lines stored in rows of their own, those with after_seq < seq <= upto_seq."""
        rows = await self._journal.rows(
            "SELECT seq, body FROM inputs WHERE seq > ? AND seq <= ? AND kind IN ('line', 'raw') ORDER BY seq",
            (after_seq, upto_seq),
        )
        for seq, body in rows:
            yield int(seq), cast(Line | RawLine, _input(body))

    async def inputs_between(self, first_t: float, last_t: float) -> AsyncIterator[tuple[int, Input]]:
        """Inputs with first_t <= t <= last_t."""
        start = await self.seq_before(first_t)
        async for seq, item in self.inputs(start):
            if item.t > last_t:
                return
            if item.t >= first_t:
                yield seq, item

    async def seq_before(self, t: float) -> int:
        """The sequence number before the first input at or after `t`."""
        plain = await self._journal.rows("SELECT seq FROM inputs WHERE t >= ? ORDER BY t, seq LIMIT 1", (t,))
        block = await self._journal.rows(
            "SELECT first_seq, body FROM blocks WHERE last_t >= ? ORDER BY last_t LIMIT 1", (t,)
        )
        bundle = await self._journal.rows(
            "SELECT first_seq, body FROM bundles WHERE first_seq = ? AND count > 0",
            (await bundle_at(self._journal.rows, t),),
        )
        found = [int(row[0]) for row in plain] + [line_at(first, body, t) for first, body in (*block, *bundle)]
        return min(found, default=BEYOND) - 1

    async def _page(self, after: int, end: int) -> tuple[list[tuple[int, Input]], int]:
        """The next rows from blocks, bundles and plain rows merged, and the number up to which they are complete."""
        blocks = await self._journal.rows(
            "SELECT last_seq, body, first_t, last_t, count FROM blocks WHERE last_seq > ? AND first_seq <= ? "
            "ORDER BY first_seq LIMIT 1",
            (after, end),
        )
        upto = min(end, int(blocks[0][0])) if blocks else end
        bundles = await self._journal.rows(NEXT_BUNDLES, (after, upto, after, BUNDLES))
        if len(bundles) == BUNDLES:
            upto = min(upto, int(bundles[-1][0]))
        plain = await self._journal.rows(
            "SELECT i.seq, i.t, i.kind, i.body, c.body FROM inputs i LEFT JOIN contexts c ON c.seq = i.seq "
            "WHERE i.seq > ? AND i.seq <= ? ORDER BY i.seq LIMIT ?",
            (after, upto, PAGE),
        )
        if len(plain) == PAGE:
            upto = int(plain[-1][0])
        rows = [(int(seq), _input_or_gap(t, kind, body or packed)) for seq, t, kind, body, packed in plain]
        for packed_rows in (*blocks, *bundles):
            rows += [(seq, item) for seq, item in _unpacked(*packed_rows) if after < seq <= upto]
        rows.sort(key=lambda row: row[0])
        return rows, upto

    async def standing(self, upto_seq: int) -> list[tuple[int, Standing]]:
        """The context and the run sheet in force at `upto_seq`, and the newest section table of each kind, in order."""
        found = await self._journal.rows(
            "SELECT seq, body FROM contexts WHERE seq IN "
            "(SELECT max(seq) FROM contexts WHERE seq <= ? GROUP BY kind, CASE kind WHEN 'table' THEN key END) "
            "ORDER BY kind, seq",
            (upto_seq,),
        )
        return [(int(seq), _standing(int(seq), body)) for seq, body in found]

    async def bench_at(self, t: float, otherwise: Bench) -> Bench:
        """The bench of the context in force at t: channels may have been renamed or calibrated since."""
        for _, item in await self.standing(await self.seq_before(t)):
            if isinstance(item, Context):
                return bench_from_context(item)
        return otherwise

    # -- effects

    async def effects(
        self,
        *,
        kind: str | None = None,
        names: tuple[str, ...] = (),
        pour: str | None = None,
        load: str | None = None,
        since_t: float | None = None,
        until_t: float | None = None,
        after_number: int = 0,
    ) -> AsyncIterator[Told]:
        """Stored effects in order of number; every filter given must hold.  A damaged row is left out."""
        wanted = Wanted(kind, names, pour, load, since_t, until_t, after_number)
        async for page in effect_pages(self._journal.rows, wanted):
            for number, seq, t, what, name, body in page:
                if (printed := printed_in(body)) is not None:
                    yield Told(number, seq, t, what, name, printed)
                else:
                    self.unreadable.add(number)

    async def phases(self, after_number: int = 0) -> list[Phase]:
        """Every opening and closing of a pour or load."""
        found = self.effects(kind="finding", names=PHASE_NAMES, after_number=after_number)
        return [
            phase_from(e.number, e.t, e.name, str(e.body.get("load" if "load" in e.name else "pour")), e.body)
            async for e in found
        ]

    async def standing_alerts(self) -> list[Alert]:
        """The newest transition of each alert that is on or not yet acknowledged."""
        return list((await self.standing_by_number()).values())

    async def standing_by_number(self) -> dict[int, Alert]:
        """The standing alerts by the number of their newest transition; looks back as far as retention says."""
        since = int(await self.meta(ALERTS_SINCE) or 0)
        found = await self._journal.rows(
            "SELECT number, body FROM effects WHERE number IN (SELECT max(number) FROM effects WHERE number >= ? AND "
            "kind = 'alert' GROUP BY name, coalesce(channel, CASE WHEN json_valid(body) THEN "
            "json_extract(body, '$.subject.source') END, mold, cup, pot)) ORDER BY number",
            (since,),
        )
        alerts = {number: alert_in(body) for number, body in found}
        self.unreadable |= {number for number, alert in alerts.items() if alert is None}
        known = {number: alert for number, alert in alerts.items() if alert is not None}
        return {number: alert for number, alert in known.items() if alert.active or not alert.heard}

    async def minutes(self, channel: str, first_t: float, last_t: float) -> list[MinuteRow]:
        """One-minute count, lowest, mean and highest value of a channel."""
        return await self._minutes(channel, "BETWEEN ?2 AND ?3", (int(first_t // 60), int(last_t // 60)))

    async def minutes_of(self, channel: str, minutes: Sequence[int]) -> list[MinuteRow]:
        """The channel's rows for these minutes (unix s // 60) that the journal has; at most a few hundred at once."""
        which = f"IN ({', '.join(f'?{n}' for n in range(2, len(minutes) + 2))})"
        return await self._minutes(channel, which, tuple(minutes))

    async def _minutes(self, channel: str, which: str, values: tuple[int, ...]) -> list[MinuteRow]:
        """A minute begun before retention's move and ended after it has two rows, which are merged."""
        known = await self._journal.rows("SELECT id FROM channels WHERE name = ?", (channel,))
        if not known:
            return []
        found = await self._journal.rows(_MINUTES.format(which=which), (int(known[0][0]), *values))
        return [MinuteRow(channel, m, n, lo / 100, mean / 100, hi / 100) for m, n, lo, mean, hi in found]


def _input_or_gap(t: float, kind: str, body: str | bytes | None) -> Input:
    """An input, or a gap where the row cannot be read (damaged, or of a kind only a newer benchd knows)."""
    try:
        item = _input(body or "")
        return as_meant(item) if kind == KIND_OF_0_1_0 else item
    except (DecodeError, ValueError, RecursionError):
        return _gap(t, t, "unreadable input", 1)


def _input(body: str | bytes) -> Input:
    text = body if isinstance(body, str) else expand(body, MOST_CONTEXT_BYTES, "context").decode()
    return from_record(json.loads(text))


def _standing(seq: int, body: str | bytes) -> Standing:
    """A context, sheet or table, without which nothing can be decoded.  Raises JournalError."""
    try:
        return cast(Standing, _input(body))
    except (DecodeError, ValueError, RecursionError) as error:
        raise JournalError(f"the context of input {seq} cannot be read: {error}; restore a backup") from error


def _unpacked(last_seq: int, block: bytes, first_t: float, last_t: float, count: int) -> list[tuple[int, Input]]:
    """The inputs of a block or bundle; a damaged one reads as a gap, so that the loss shows and the rest stays."""
    try:
        return list(unpack(block))
    except ValueError:
        return [(last_seq, _gap(last_t, first_t, "damaged block", count))]


def _gap(t: Any, since: Any, why: str, lost: int) -> Gap:
    """A gap at the time in the file, or at the time reached if that time is not one a bench can have."""
    known_t = float(t) if is_time(t) else 0.0
    return Gap(known_t, float(since) if is_time(since) else known_t, why, lost)
