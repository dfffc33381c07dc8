"""Listens to a port for a while: what its board sends just now, decoded and kept by name.

For a person who looks at a board before the daemon does: nothing is judged, calibrated or saved.
"""

from __future__ import annotations

import asyncio
import contextlib
import time
from collections import Counter, deque
from collections.abc import Callable
from dataclasses import dataclass, field

from benchd.core.intake.full_scale import full_scale_of
from benchd.core.intake.wire import decode
from benchd.errors import DecodeError, SourceError
from benchd.runtime.serial.framing import LineFramer
from benchd.runtime.serial.port import GoneError, open_port

KEPT = 600


@dataclass(slots=True)
class Name:
    """What one resolved name said: its unit as sent, and (monotonic s, value) of the last KEPT records."""

    unit: str
    values: deque[tuple[float, float]] = field(default_factory=lambda: deque(maxlen=KEPT))

    @property
    def last(self) -> float:
        return self.values[-1][1]


@dataclass(slots=True)
class Overheard:
    """All that was heard: names with their values, boards, faults told, lines taken and refused by reason.

    `scales` are the full scales boards say they reckon with, Pa gauge by name.
    """

    names: dict[str, Name] = field(default_factory=dict)
    boards: list[str] = field(default_factory=list)
    faults: list[str] = field(default_factory=list)
    lines: int = 0
    refused: Counter[str] = field(default_factory=Counter)
    scales: dict[str, int] = field(default_factory=dict)

    def note(self, comment: bytes) -> None:
        """One comment line of a board: only its full scale is kept."""
        if (scale := full_scale_of(comment.decode(errors="replace"))) is not None:
            self.scales[scale.name] = scale.pa

    def take(self, raw: bytes, now_s: float, checked: bool = True) -> None:
        """One line without its LF."""
        try:
            said = decode(raw.decode(), checked)
        except (DecodeError, UnicodeDecodeError) as error:
            self.refused[error.reason if isinstance(error, DecodeError) else "not text"] += 1
            return
        self.lines += 1
        if said.board not in self.boards:
            self.boards.append(said.board)
        if said.fault is not None and said.fault not in self.faults:
            self.faults.append(said.fault)
        for name, value, _, unit in said.records:
            if value is not None:
                self.names.setdefault(name, Name(unit or "")).values.append((now_s, value))


async def overhear(
    port: str,
    baud: int,
    for_s: float | None,
    on_news: Callable[[Overheard], None] = lambda heard: None,
    checked: bool = True,
) -> Overheard:
    """Listen for so long, None = until cancelled; `on_news` after each piece of bytes.

    Raises SourceError when the port cannot be opened or is lost.
    """
    heard, framer = Overheard(), LineFramer()

    def take(data: bytes) -> None:
        for raw in framer.feed(data):
            heard.take(raw, time.monotonic(), checked)
        while framer.comments:
            heard.note(framer.comments.popleft())
        on_news(heard)

    opened = await open_port(port, baud)
    try:
        with contextlib.suppress(TimeoutError):
            async with asyncio.timeout(for_s):
                await opened.pump(take)
    except GoneError as error:
        raise SourceError(f"{port}: {error}") from error
    finally:
        opened.close()
    return heard
