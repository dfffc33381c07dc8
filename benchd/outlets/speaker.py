"""Sends tones, a lamp and a soft tick, as lines, to a board that has a buzzer and a lamp.

Signals only.  The board's own rules for such a line are in firmware_examples/: SenML like its own lines, the names
`lamp` (0 off, 1 on, 2 slow, 3 fast), `tone` ("880:200,0:100": hertz and milliseconds of at most eight notes, 0 Hz a
rest) and `tick` (1), at most 160 bytes before the LF.  A board that receives nothing for half a minute shows that on
its lamp, so the lamp is sent again every ten seconds, and not at all while the engine has stopped.

While a pot holds and its gauge reads, it ticks once a minute, so that silence is heard.  The lamp: fast, an
unacknowledged alarm of priority 1; slow, an acknowledged one, or one of priority 2; on, a pot under pressure; off, none
of these.  A new tone cuts short the one before it.  While a pot fills, two short notes every few seconds rise with its
pressure.
A board that is unplugged or does not read misses lines, which are counted; nothing waits for it, and what is out of
date is never played.
"""

from __future__ import annotations

import asyncio
import time
from collections.abc import Sequence
from typing import Annotated, Literal

from pydantic import BaseModel, ConfigDict, Field

from benchd.core.intake.wire import Record, encode
from benchd.core.model import PotFilling, Utterance
from benchd.errors import OutletError
from benchd.runtime.bulletin import Posted
from benchd.runtime.contracts import Tools
from benchd.runtime.health import stalled

LINE_MOST_BYTES = 160  # the boards' own limit, LF not counted
LOOK_EVERY_S = 1.0  # wall
LAMP_EVERY_S = 10.0  # wall; a third of the half minute after which a board calls itself unheard
TICK_EVERY_S = 60.0  # bench; common practice, no source
SOURCES_WITHIN_S = 2.0  # wall; sources are made as the watch begins

RISING_AFTER_S = 2.0  # wall; the longest tune is over by then
RISING_HZ = (440.0, 2.0, 1500.0)  # at zero, more per kPa (925 Hz at 35 psi), at most: common practice, no source

OFF, ON, SLOW, FAST = 0, 1, 2, 3
HOLDING = ("fed", "isolated")  # phases of a load (core/casting/load.py)

TUNES: dict[str, str] = {
    "alarm": "880:150,1320:150,880:150,1320:150,880:150,1320:300",
    "attention": "990:200,0:100,990:200",
    "chime": "660:120,880:200",
    "beep": "1000:300",
}
"""Tone of an utterance -> notes.  All lie where respirator, compressor and age leave an ear: common practice."""


class Settings(BaseModel):
    """The `[speaker]` table: which board has the buzzer and the lamp."""

    model_config = ConfigDict(frozen=True, extra="forbid")

    kind: Literal["speaker"] = "speaker"
    source: Annotated[str, Field(pattern=r"^[a-z0-9-]{1,32}$")] = "board"
    """The [[source]] of kind serial_lines it hangs on."""
    board: Annotated[str, Field(max_length=32, pattern=r"^[A-Za-z0-9][A-Za-z0-9:./_-]*$")] = "b1-"
    """What the board's own names begin with (the bn of its lines)."""
    tones: bool = True
    ticks: bool = True
    lamp: bool = True


def make(settings: Settings, tools: Tools) -> SpeakerOutlet:
    """The outlet; no I/O."""
    return SpeakerOutlet(settings, tools)


class SpeakerOutlet:
    """One board's buzzer and lamp."""

    def __init__(self, settings: Settings, tools: Tools) -> None:
        self._settings = settings
        self._tools = tools
        self._shown: tuple[int, float] | None = None
        self._tick_t: float | None = None
        self._sounded_s = -RISING_AFTER_S

    async def run(self) -> None:
        """Serve until cancelled.  Raises OutletError if there is no such source, or its board takes no lines."""
        await self._await_board()
        news = self._tools.bulletin.subscribe()
        self._shown = None
        try:
            while True:
                batch: list[Posted] = []
                try:
                    async with asyncio.timeout(LOOK_EVERY_S):
                        batch = await news.batch()
                except TimeoutError:
                    pass
                self._signal(self._tone(batch) + self._state())
        finally:
            self._tools.bulletin.unsubscribe(news)

    async def _await_board(self) -> None:
        until_s = time.monotonic() + SOURCES_WITHIN_S
        while self._settings.source not in self._tools.boards:
            if time.monotonic() >= until_s:
                known = ", ".join(self._tools.boards) or "none"
                raise OutletError(
                    f'speaker: no source "{self._settings.source}" that lines can be sent back to; there are: {known}'
                )
            await asyncio.sleep(0.05)

    def _tone(self, batch: Sequence[Posted]) -> list[Record]:
        """The tone of the most urgent word that is still worth saying."""
        now = self._tools.clock.now()
        words = [p.effect for p in batch if isinstance(p.effect, Utterance) and p.effect.say_until >= now]
        sounding = [word for word in words if word.tone in TUNES]
        if not self._settings.tones:
            return []
        if not sounding:
            return self._rising([p.effect for p in batch if isinstance(p.effect, PotFilling)], now)
        self._sounded_s = time.monotonic()
        return [("tone", None, TUNES[min(sounding, key=lambda word: word.priority).tone], None)]

    def _rising(self, fills: Sequence[PotFilling], now: float) -> list[Record]:
        """A filling pot's two notes, unless it is old news or a word's tone still sounds."""
        if not fills or now - fills[-1].t > RISING_AFTER_S or time.monotonic() - self._sounded_s < RISING_AFTER_S:
            return []
        base, per_kpa, most = RISING_HZ
        hz = round(min(base + per_kpa * max(fills[-1].kpa, 0.0), most))
        return [("tone", None, f"{hz}:80,{round(1.12 * hz)}:120", None)]

    def _state(self) -> list[Record]:
        """Lamp and tick, as far as due; nothing while the engine has stopped: the board then shows the silence."""
        if stalled(self._tools.health, time.monotonic(), ("engine",)):
            return []
        return self._lamp() + self._tick()

    def _lamp(self) -> list[Record]:
        mode, now_s = self._lamp_mode() if self._settings.lamp else OFF, time.monotonic()
        if self._shown is not None and self._shown[0] == mode and now_s - self._shown[1] < LAMP_EVERY_S:
            return []
        self._shown = mode, now_s
        return [("lamp", mode, None, None)]

    def _lamp_mode(self) -> int:
        on = [alert for alert in self._tools.bulletin.alerts.values() if alert.active]
        if any(alert.priority == 1 and not alert.heard for alert in on):
            return FAST
        if any(alert.priority <= 2 for alert in on):
            return SLOW
        return ON if self._is_a_pot("pressurised") else OFF

    def _tick(self) -> list[Record]:
        """A tick for each minute in which a pot holds and its gauge reads."""
        now = self._tools.clock.now()
        if not self._settings.ticks or not self._is_a_pot("pressurised", HOLDING):
            self._tick_t = None
            return []
        if self._tick_t is None:
            self._tick_t = now + TICK_EVERY_S
        if now < self._tick_t:
            return []
        self._tick_t = now + TICK_EVERY_S
        return [("tick", 1, None, None)]

    def _is_a_pot(self, reads: str, phases: Sequence[str] = ()) -> bool:
        bodies = [card.body for (of, _), card in self._tools.bulletin.cards.items() if of == "pot"]
        return any(body.get("reads") == reads and (not phases or body.get("phase") in phases) for body in bodies)

    def _signal(self, records: Sequence[Record]) -> None:
        """One line to the board; what it doesn't take is counted, and the lamp is sent again at the next look."""
        if not records:
            return
        board = self._tools.boards.get(self._settings.source)
        if board is None or not board.offer(encode(records, board=self._settings.board)):
            self._shown = None
            dropped = self._tools.health.dropped
            dropped["speaker"] = dropped.get("speaker", 0) + 1
