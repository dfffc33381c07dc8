"""Plays a recording's lines and marks into the inbox, in bench time, as a source.

The first input comes now, the others as far apart as they were.  Everything carries this source's own id, so that
channels name one source.  What the bench knew then (context, tables, gaps, clock steps) is left out: the bench that
listens has its own.  For the same findings as then, use `benchd replay`.
"""

from __future__ import annotations

import asyncio
from collections.abc import Iterator
from dataclasses import replace
from typing import Annotated, Literal

from pydantic import BaseModel, ConfigDict, Field

from benchd.core.format.record import ReadCounts, read_recording
from benchd.core.model import Input, Line, Mark, RawLine, Status
from benchd.errors import RecordingError, SourceError
from benchd.runtime.clock import BenchClock
from benchd.runtime.contracts import Inbox

YIELD_EVERY = 100  # inputs put in a row before other tasks get their turn


class Settings(BaseModel):
    """A recording that plays as if a board sent it."""

    model_config = ConfigDict(frozen=True, extra="forbid")

    kind: Literal["recording"] = "recording"
    path: Annotated[str, Field(min_length=1)]
    speed: Annotated[float, Field(gt=0.0, le=10_000.0, allow_inf_nan=False)] = 1.0
    """Recorded seconds a bench second.  Only 1 leaves rates as they were; to hurry the whole bench, hurry its clock."""
    crc: Literal["crc32", "none"] = "crc32"
    """What guards its lines; "none" if the recorded board sent no checksums."""


def make(settings: Settings, id: str, clock: BenchClock) -> Recording:
    """The source that plays this recording."""
    return Recording(settings, id, clock)


class Recording:
    """A recording as a source.  `counts` says how much of it could be read."""

    def __init__(self, settings: Settings, id: str, clock: BenchClock) -> None:
        self.counts = ReadCounts()
        self._settings = settings
        self._id = id
        self._clock = clock

    async def run(self, inbox: Inbox) -> None:
        """Play once, then put Status(up=False) and return.  Raises SourceError if the file isn't a recording."""
        self.counts = ReadCounts()
        start_s = self._clock.now()
        first_t: float | None = None
        try:
            for number, item in enumerate(self._inputs()):
                if number == 0:
                    inbox.put(Status(start_s, self._id, True, self._settings.path))
                first_t = item.t if first_t is None else first_t
                due_s = start_s + (item.t - first_t) / self._settings.speed
                await self._until(due_s, number)
                inbox.put(self._renamed(item, due_s, f"{self._id}-{start_s:.3f}-{number}"))
        except (OSError, RecordingError) as error:
            why = f"{self._settings.path}: {error}"
            inbox.put(Status(self._clock.now(), self._id, False, why))
            raise SourceError(why) from error
        bad = f", {self.counts.bad} bad lines left out" if self.counts.bad else ""
        inbox.put(Status(self._clock.now(), self._id, False, f"the recording has ended{bad}"))

    def _inputs(self) -> Iterator[Line | RawLine | Mark | Status]:
        with open(self._settings.path, encoding="utf-8", errors="surrogateescape") as file:
            for item in read_recording(file, self.counts):
                if isinstance(item, Line | RawLine | Mark | Status):
                    yield item

    async def _until(self, due_s: float, number: int) -> None:
        wait_s = self._clock.wall_s(due_s - self._clock.now())
        if wait_s > 0.0:
            await asyncio.sleep(wait_s)
        elif number % YIELD_EVERY == 0:
            await asyncio.sleep(0)

    def _renamed(self, item: Line | RawLine | Mark | Status, t: float, id: str) -> Input:
        """The input as sent now by this source; a mark gets a new id, or a second playing would count as a repeat."""
        if isinstance(item, Mark):
            return replace(item, t=t, id=id, at=None if item.at is None else t - (item.t - item.at))
        return replace(item, t=t, source=self._id)
