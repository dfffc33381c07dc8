"""The shop at this moment: what each bench's retained topics say, as lines for one screen.

Every time is given in seconds from now, by the bench's own clock: what it said last, and a stopwatch since.  So a bench
whose clock is wrong still counts right, and the screen needs no clock at all.
"""

from __future__ import annotations

import re
import time
from collections.abc import Callable, Mapping
from dataclasses import dataclass, field
from typing import Any

from benchd.errors import MarkRejected
from benchd.runtime.mqtt.client import Message
from benchd.runtime.mqtt.marks import parse_object
from benchd.runtime.mqtt.topics import HERE
from benchd.workshop.page.wall_words import bench_view, due_of

SILENT_S = 30.0  # three times the pace of `health`
CARDS = ("pour", "pot", "mold")
MOST_BENCHES, MOST_CARDS = 2000, 400
TAILS = ("up", "about", "health", "pour/+", "pot/+", "mold/+", "probe/+/up", "alert/+/+")
_TOPIC = re.compile(r"/v0/([a-z0-9-]{1,64})/([a-z0-9-]{1,64})/(.+)$")


@dataclass(slots=True)
class BenchNow:
    """One bench as its topics say it is; `t` its clock when last heard, `heard_s` our stopwatch then."""

    shop: str
    id: str
    name: str = ""
    is_here: bool = False
    boot: str = ""
    t: float = 0.0
    heard_s: float = 0.0
    cards: dict[tuple[str, str], dict[str, Any]] = field(default_factory=dict)
    alerts: dict[str, dict[str, Any]] = field(default_factory=dict)
    probes: dict[str, bool] = field(default_factory=dict)

    def now_t(self, now_s: float, rate: float) -> float:
        """Its clock now [unix s]."""
        return self.t + rate * (now_s - self.heard_s)

    def blind_why(self, now_s: float) -> str:
        """Why nothing it shows can be relied on; "" while it is heard."""
        if not self.is_here:
            return "gone"
        silent_s = now_s - self.heard_s
        return f"silent for {silent_s:.0f} s" if silent_s > SILENT_S else ""


class Wall:
    """All benches of a shop.  `rate`: how fast their clocks run, 1 but in a demo."""

    def __init__(self, prefix: str, monotonic: Callable[[], float] = time.monotonic, rate: float = 1.0) -> None:
        self.filters = tuple(f"{prefix}/v0/+/+/{tail}" for tail in TAILS)
        self.benches: dict[tuple[str, str], BenchNow] = {}
        self._monotonic, self._rate = monotonic, rate
        self.dropped = 0

    def take(self, message: Message) -> None:
        """One message.  What is malformed is counted and dropped."""
        found = _TOPIC.search(message.topic)
        if found is None or ((found[1], found[2]) not in self.benches and len(self.benches) >= MOST_BENCHES):
            self.dropped += 1
            return
        bench = self.benches.setdefault((found[1], found[2]), BenchNow(found[1], found[2]))
        try:
            self._take(bench, found[3].split("/"), message)
        except (MarkRejected, ValueError):
            self.dropped += 1

    def _take(self, bench: BenchNow, levels: list[str], message: Message) -> None:
        match levels:
            case ["up"]:
                bench.is_here = message.payload == HERE.encode()
                if bench.is_here and not message.retained:
                    bench.heard_s = self._monotonic()
            case ["probe", id, "up"]:
                bench.probes[id[:64]] = message.payload == HERE.encode()
            case [kind, id] if kind in CARDS:
                self._card(bench, kind, id, message)
            case ["alert", code, of]:
                self._alert(bench, f"{code}/{of}", message)
            case ["about" | "health"]:
                self._itself(bench, parse_object(message.payload), message.retained)
            case _:
                self.dropped += 1

    def _itself(self, bench: BenchNow, told: Mapping[str, Any], is_retained: bool) -> None:
        name = told.get("name")
        if isinstance(name, str):
            bench.name = name[:80]
        self._heard(bench, told.get("t"), is_retained)

    def _heard(self, bench: BenchNow, t: object, is_retained: bool) -> None:
        """Set its clock; what a broker kept may be old, and only gives a first idea of it."""
        if isinstance(t, int | float) and 0 < t < 1e11 and (not is_retained or bench.t == 0.0):
            bench.t = float(t)
            bench.heard_s = self._monotonic()

    def _card(self, bench: BenchNow, kind: str, id: str, message: Message) -> None:
        if not message.payload:
            bench.cards.pop((kind, id), None)
        elif len(bench.cards) < MOST_CARDS or (kind, id) in bench.cards:
            card = bench.cards[kind, id] = parse_object(message.payload)
            self._heard(bench, card.get("t"), message.retained)

    def _alert(self, bench: BenchNow, key: str, message: Message) -> None:
        told = parse_object(message.payload) if message.payload else {}
        if told.get("active") is True and len(bench.alerts) < MOST_CARDS:
            bench.alerts[key] = told
        else:
            bench.alerts.pop(key, None)
        self._heard(bench, told.get("t"), message.retained)

    def view(self, unit: str) -> dict[str, Any]:
        """What the screen shows; pressures in `unit`."""
        now_s = self._monotonic()
        views, due = [], []
        for bench in sorted(self.benches.values(), key=lambda b: (b.shop, b.name or b.id)):
            why, t = bench.blind_why(now_s), bench.now_t(now_s, self._rate)
            view = bench_view(bench.cards, bench.alerts, bench.probes, t, unit)
            head = {"shop": bench.shop, "id": bench.id, "name": bench.name or bench.id, "blind": why}
            views.append(head | view)
            if not why:
                due += [{"bench": head["name"], **each} for each in due_of(bench.cards, t)]
        due.sort(key=lambda each: float(each["in_s"]))
        return {"v": 0, "rate": self._rate, "benches": views, "due": due[:40]}
