"""Feeds the daemon a rehearsal without a port: it runs in the process, in step with the bench clock.

A line of scenario time s is put at bench time start + s / speed, stamped start + s.  For a demo faster than real time
run the bench clock itself at a rate and leave speed at 1: then stamps and clock agree.
"""

from __future__ import annotations

import asyncio
from typing import Any, Literal

from pydantic import BaseModel, ConfigDict, Field

from benchd.core.format.record import mark_from_body
from benchd.core.model import Line, Mark, RawLine, Status
from benchd.rehearsal import Frame, Rehearsal, line_record, load_scenario
from benchd.runtime.clock import BenchClock
from benchd.runtime.contracts import Inbox

FRAMES_AT_ONCE = 32  # behind time, the loop gets its turn after so many frames
NAP_S = 0.25  # longest sleep, so that a stop is quick


class Settings(BaseModel):
    """What to rehearse; scenario is a shipped one's name or a TOML file's path."""

    model_config = ConfigDict(frozen=True, extra="forbid")

    kind: Literal["simulated"] = "simulated"
    scenario: str = "load-1"
    speed: float = Field(default=1.0, gt=0.0, le=1000.0)
    seed: int = Field(default=0, ge=0)


class SimulatedSource:
    """Runs one scenario once, then reports itself down and returns."""

    def __init__(self, settings: Settings, id: str, clock: BenchClock) -> None:
        self._settings, self._id, self._clock = settings, id, clock
        self._scenario = load_scenario(settings.scenario)
        self._marks = 0

    async def run(self, inbox: Inbox) -> None:
        """Play the scenario once, put each of its inputs when due, then put Status(up=False) and return."""
        rehearsal = await asyncio.to_thread(Rehearsal, self._scenario, self._settings.seed)
        start_t = self._clock.now()
        inbox.put(Status(start_t, self._id, True, f"rehearsal of {self._scenario.name}"))
        is_plugged, unslept = True, 0
        for frame in rehearsal.frames():
            unslept = 0 if await self._wait_until(start_t + frame.t_s / self._settings.speed) else unslept + 1
            if unslept >= FRAMES_AT_ONCE:
                unslept = 0
                await asyncio.sleep(0)
            if frame.is_plugged != is_plugged:
                is_plugged = frame.is_plugged
                inbox.put(Status(start_t + frame.t_s, self._id, is_plugged, "" if is_plugged else "unplugged"))
            self._put(inbox, start_t, frame)
        inbox.put(Status(start_t + rehearsal.duration_s, self._id, False, "rehearsal over"))

    async def _wait_until(self, bench_s: float) -> bool:
        """Sleep until the bench clock shows bench_s; False if it already does."""
        slept = False
        while (left_s := self._clock.wall_s(bench_s - self._clock.now())) > 0.0:
            slept = True
            await asyncio.sleep(min(left_s, NAP_S))
        return slept

    def _put(self, inbox: Inbox, start_t: float, frame: Frame) -> None:
        for body in frame.marks:
            inbox.put(self._mark(start_t, body))
        for raw in frame.lines:
            record = line_record(self._id, raw)
            t = start_t + frame.t_s
            inbox.put(
                Line(t, self._id, record["line"]) if "line" in record else RawLine(t, self._id, record["raw_b64"])
            )

    def _mark(self, start_t: float, body: dict[str, Any]) -> Mark:
        self._marks += 1
        keys = {k: v for k, v in body.items() if k != "t_s"}
        named = {"id": f"{self._id}-{start_t:.0f}-{self._marks}", "by": self._id}
        return mark_from_body(start_t + float(body["t_s"]), keys | named)


def make(settings: Settings, id: str, clock: BenchClock) -> SimulatedSource:
    """A source that plays settings.scenario.  Raises SettingsError if there is no such scenario or it is wrong."""
    return SimulatedSource(settings, id, clock)
