"""A bench's own zone, from the clock changes its context holds: for a journal without its bench.toml beside it."""

from __future__ import annotations

from datetime import UTC, datetime, timedelta, tzinfo

from benchd.core.bench import Bench


class BenchZone(tzinfo):
    """The zone of one bench; near a clock change a local time means the later of two it could."""

    def __init__(self, bench: Bench) -> None:
        self._bench = bench

    def utcoffset(self, at: datetime | None) -> timedelta:
        if at is None:
            return timedelta(0)
        as_utc = at.replace(tzinfo=UTC).timestamp()
        guess_s = self._bench.utc_offset_s(as_utc)
        return timedelta(seconds=self._bench.utc_offset_s(as_utc - guess_s))

    def dst(self, at: datetime | None) -> timedelta:
        return timedelta(0)

    def tzname(self, at: datetime | None) -> str:
        minutes = int(self.utcoffset(at).total_seconds() // 60)
        return f"{'-' if minutes < 0 else '+'}{abs(minutes) // 60:02d}:{abs(minutes) % 60:02d}"

    def fromutc(self, at: datetime) -> datetime:
        offset_s = self._bench.utc_offset_s(at.replace(tzinfo=UTC).timestamp())
        return at + timedelta(seconds=offset_s)
