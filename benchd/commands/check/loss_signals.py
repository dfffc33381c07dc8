"""Lists the signals by which people would notice that benchd has stopped, and when each was last tested.

A signal that was never tested is not to be relied on: the caster tests one (stops the daemon, pulls the plug) and
records it with `benchd phone --tested NAME`, a note in the journal.
"""

from __future__ import annotations

import asyncio
import ipaddress
import socket
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import datetime, tzinfo
from pathlib import Path

from benchd.core.casting.desk.notes import PHONE_TESTED
from benchd.runtime.history.marks import marks_that_stood
from benchd.runtime.journal.asked import asked
from benchd.runtime.journal.journal import Journal
from benchd.runtime.mqtt.address import BrokerAddress
from benchd.settings import Loaded

NOTE = "loss signal tested: "
HOW_TO_TEST = {
    "last-will": "pull this computer's network; within half a minute the phone must hear of it",
    "page-blind": "stop the daemon with the page open; within 5 s it must say Blind and sound",
    "deadman": "stop the daemon; the monitor must ring after its own delay",
    "tick": "listen for a minute while a pot holds",
}
NAMES = tuple(HOW_TO_TEST)


@dataclass(frozen=True, slots=True)
class Signal:
    """One way to notice the loss of the watch, or why there is none; `tested_t` unix s."""

    name: str
    exists: bool
    what: str
    tested_t: float | None = None


def signals(loaded: Loaded, tested: Mapping[str, float]) -> list[Signal]:
    """Every loss signal, including those this configuration lacks."""
    found = [_last_will(loaded)]
    found.append((True, "an open page says Blind and sounds within 5 s; a closed one says nothing"))
    has_ping = "deadman" in loaded.outlets
    found.append((has_ping, "a monitor outside is pinged" if has_ping else "no [deadman] table"))
    speaker = loaded.outlets.get("speaker")
    ticks = speaker is not None and bool(getattr(speaker, "ticks", False))
    found.append((ticks, "the bench ticks once a minute while a pot holds" if ticks else "no [speaker] that ticks"))
    return [Signal(name, *state, tested.get(name)) for name, state in zip(NAMES, found, strict=True)]


def _last_will(loaded: Loaded) -> tuple[bool, str]:
    """Whether the last will works: only a broker on another machine can report that this one has stopped."""
    broker = loaded.outlets.get("mqtt")
    if not isinstance(broker, BrokerAddress):
        return False, "no [mqtt] broker"
    if is_here(broker.host):
        return False, f"the broker at {broker.host} is on this machine and ends with it"
    return True, f"the broker at {broker.host} says gone"


def is_here(host: str) -> bool:
    """Whether this host name or address is this machine, by its form and this machine's name; nothing is looked up."""
    own = socket.gethostname().lower()
    if host.lower().rstrip(".") in ("localhost", own, f"{own}.local"):
        return True
    try:
        return ipaddress.ip_address(host.split("%")[0]).is_loopback
    except ValueError:
        return False


def last_tested(path: Path) -> dict[str, float]:
    """Signal (and "phone") -> when it was last tested [unix s], from the journal; empty when there is none."""
    return asyncio.run(asked(path, _noted, {}))


async def _noted(journal: Journal) -> dict[str, float]:
    found: dict[str, float] = {}
    for t, mark in await marks_that_stood(journal, 0.0):
        name = str(mark.get("text") or "")
        found |= {name.removeprefix(NOTE): t} if name.startswith(NOTE) and name.removeprefix(NOTE) in NAMES else {}
    sql = "SELECT max(t) FROM effects WHERE kind = 'answer' AND name = 'heard' AND body LIKE ?"
    for (t,) in await journal.rows(sql, (f'%"{PHONE_TESTED}"%',)):
        found |= {"phone": float(t)} if t is not None else {}
    return found


def told(found: Sequence[Signal], zone: tzinfo) -> list[str]:
    """A line for each signal."""
    return [
        f"{s.name}: {s.what}" + (f"; {when_tested(s.tested_t, zone)}" if s.exists or s.tested_t else "") for s in found
    ]


def when_tested(t: float | None, zone: tzinfo) -> str:
    """When a signal was last tested, for a person."""
    return f"last tested {datetime.fromtimestamp(t, zone):%Y-%m-%d %H:%M}" if t else "never tested"
