"""Compares the full scale each board reckons with and the `range` of the gauge's channel.

1. A board that turns its transducer's volts into pascals does so by a full scale in its own sources, and says which.
   If that is not the transducer's, every reading is off by one factor, from zero up: nothing in the readings shows it.
2. `range` in bench.toml is what the person who bought the transducer wrote down.  The two must agree.
3. What a board said is in the journal, where the daemon heard it; a port that nobody holds is listened to.
4. A channel with a `sensor` table is sent in volts and converted here: its span is the only full scale there is.
"""

from __future__ import annotations

import asyncio
import contextlib
from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import Literal

from benchd.core.bench import Bench, Channel
from benchd.core.intake.full_scale import FullScale, full_scale_of
from benchd.core.intake.sensor import BEYOND_SPAN
from benchd.core.units import from_kpa, shown_pressure
from benchd.errors import SourceError
from benchd.runtime.journal.asked import asked
from benchd.runtime.journal.journal import Journal
from benchd.runtime.serial.framing import LineFramer
from benchd.runtime.serial.port import GoneError, Port

ALIKE = 0.03  # beyond the end where a signal counts as a fault; common practice, no source
SAME = 0.005  # rounding, as in 6.9 bar for 100 psi
NEAR = 0.04  # what psi parts and bar parts lie apart: 10 bar are 145 psi, 7 bar 102, 4 bar 58
STEPS = (("psi", 5.0), ("bar", 1.0))  # as transducers are labelled; common practice, no source
WHERE = "POT_FULL_PA (board.h, arduino.ino) or FULL_PA (main.py, code.py, config.py) and put that on the board"

BOARDS = ("serial_lines", "mqtt_topics")
"""The kinds of sources whose boards have a full scale of their own."""

Heard = Mapping[str, FullScale]
"""SenML name -> the full scale its board said last."""


@dataclass(frozen=True, slots=True)
class Judged:
    """One gauge's answer: `word` is "look" where the two differ, "not watched" where the board did not say."""

    name: str
    word: Literal["yes", "look", "not watched"]
    why: str

    @property
    def line(self) -> str:
        """The answer as `check` prints it."""
        return f"{self.name}: {self.why}"


def judged(bench: Bench, file: str, heard: Heard, kinds: Mapping[str, str]) -> list[Judged]:
    """An answer for each gauge of a pot whose board sends pascals; `file` is the bench's own, for the remedy.

    `kinds`: source id -> the kind of its plug-in; a simulated board has no sources to be mended.
    """
    return [
        _judged(bench, file, place, channel, heard, by_broker=kinds.get(channel.source) == "mqtt_topics")
        for place, channel in enumerate(bench.channels)
        if asks(channel) and kinds.get(channel.source) in BOARDS
    ]


def asks(channel: Channel) -> bool:
    """Whether this channel's board has a full scale of its own."""
    is_gauge = channel.role == "pot_pressure" and channel.reference == "gauge"
    return is_gauge and channel.sensor is None and channel.high is not None


def _judged(bench: Bench, file: str, place: int, channel: Channel, heard: Heard, *, by_broker: bool) -> Judged:
    scale, high_kpa = heard.get(channel.senml), channel.high or 0.0
    key = f"{file}: channel[{place + 1}].range"
    ends = shown_pressure(high_kpa, bench.pressure_unit)
    if scale is None:
        compare = f"compare its POT_FULL_PA or FULL_PA with {ends} in {key}"
        may = " (may benchd read the board's boot topic at the broker?)" if by_broker else ""
        why = f"{channel.senml} has not said its full scale{may}; {compare}"
        return Judged(channel.id, "not watched", why)
    full_kpa = scale.pa / 1000.0
    full = shown_pressure(full_kpa, bench.pressure_unit)
    apart = high_kpa / full_kpa - 1.0
    if SAME < abs(apart) <= NEAR:
        named, ends = (labelled(kpa, bench.pressure_unit) for kpa in (full_kpa, high_kpa))
        why = (
            f"{channel.senml} reckons with {named}, {key} ends at {ends}: {abs(apart):.1%} apart, as psi and bar parts "
            f"are. Look at the transducer's label for which of them is meant, with its unit, then mend {key}, or write "
            f"{round(high_kpa * 1000)} in {WHERE}"
        )
        return Judged(channel.id, "look", why)
    if full_kpa * (1.0 - ALIKE) <= high_kpa <= full_kpa * (1.0 + BEYOND_SPAN + ALIKE):
        return Judged(channel.id, "yes", f"{channel.senml} reckons with {full}, as {key} has it")
    limit_kpa = _limit_kpa(bench, channel)
    reads, limit = (shown_pressure(k, bench.pressure_unit) for k in (full_kpa * limit_kpa / high_kpa, limit_kpa))
    why = (
        f"{channel.senml} reckons with {full}, {key} ends at {ends}: if the transducer ends at {ends}, {limit} in the "
        f"pot reads as {reads}. Look at its label, then write {round(high_kpa * 1000)} in {WHERE}; or mend {key}"
    )
    return Judged(channel.id, "look", why)


def labelled(kpa: float, unit: str) -> str:
    """A full scale as a label has it, and in the bench's unit where that is another: "10 bar (145 psi)".

    >>> labelled(1000.0, "psi"), labelled(1034.214, "psi"), labelled(700.0, "bar"), labelled(640.0, "psi")
    ('10 bar (145 psi)', '150 psi', '7 bar', '93 psi')
    """
    shown = shown_pressure(kpa, unit)
    found = []
    for name, step in STEPS:
        steps = from_kpa(kpa, name) / step
        found.append((abs(steps / max(1, round(steps)) - 1.0), name, f"{max(1, round(steps)) * step:g} {name}"))
    off, name, label = min(found)
    if off > SAME / 5.0:
        return shown
    return label if name == unit else f"{label} ({shown})"


def _limit_kpa(bench: Bench, channel: Channel) -> float:
    """The pressure [kPa gauge] above which the channel's pot alarms; its range's end where the pot is not known."""
    limits = [pot.limit_kpa for pot in bench.pots if pot.id == channel.of]
    return limits[0] if limits else channel.high or 0.0


# ---------------------------------------------------------------------------------------------------- what was heard


def from_journal(path: Path) -> dict[str, FullScale]:
    """What boards said to the daemon, the last of each name; empty where there is no journal."""
    return asyncio.run(asked(path, _journaled, {}))


async def _journaled(journal: Journal) -> dict[str, FullScale]:
    sql = "SELECT body FROM inputs WHERE kind = 'source' AND body LIKE ? ORDER BY seq"
    rows = await journal.rows(sql, ('%"board says: full scale: %',))
    return by_name(str(body) for (body,) in rows)


def by_name(texts: Iterable[str]) -> dict[str, FullScale]:
    """The last full scale of each name that these texts tell."""
    return {scale.name: scale for text in texts if (scale := full_scale_of(text)) is not None}


async def from_port(port: Port, within_s: float) -> dict[str, FullScale]:
    """What the board on an open port says within that time, at once when it has; empty when it says none."""
    framer, said = LineFramer(), asyncio.Event()

    def take(data: bytes) -> None:
        framer.feed(data)
        if by_name(raw.decode(errors="replace") for raw in framer.comments):
            said.set()

    pumping = asyncio.ensure_future(port.pump(take))
    waiting = asyncio.ensure_future(said.wait())
    await asyncio.wait((pumping, waiting), timeout=within_s, return_when=asyncio.FIRST_COMPLETED)
    for task in (pumping, waiting):
        task.cancel()
        with contextlib.suppress(asyncio.CancelledError, GoneError, SourceError):
            await task
    return by_name(raw.decode(errors="replace") for raw in framer.comments)
