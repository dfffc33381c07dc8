"""Reads what was foretold, called and alarmed about some pours and their loads, by pour and mold."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import dataclass, field
from typing import Any

from benchd.reports.records_read import alarms_begun
from benchd.runtime.journal.reader import Logbook, Readable, Told

CALLS = ("last_mold", "lid_now")
NAMES = (
    *CALLS, "kick_forecast", "kicked", "demold_forecast", "demold_ready", "mold_poured", "load_closed", "pressure_late",
    "no_cure",
)  # fmt: skip
Times = tuple[float, float, float]


@dataclass(frozen=True, slots=True)
class Window:
    """A window as it was told at t: early, likely, late [unix s]."""

    t: float
    early: float
    likely: float
    late: float


@dataclass(frozen=True, slots=True)
class ReadyTold:
    """When a part was foretold at t to be hard, and green if it is to be pulled so [unix s]."""

    t: float
    hard: Times
    green: Times | None


@dataclass(frozen=True, slots=True)
class Alarm:
    """An alarm of the two upper priorities that began at t, of a pot if it is about one."""

    t: float
    code: str
    pot: str | None


@dataclass(slots=True)
class PourTold:
    """What was told of one pour; `ready` and `words` are by mold, `words` are (t, stage)."""

    kick: list[Window] = field(default_factory=list)
    found: list[tuple[Window, str]] = field(default_factory=list)
    """Each kick that was found, with its basis."""
    ready: dict[str, list[ReadyTold]] = field(default_factory=dict)
    words: dict[str, list[tuple[float, str]]] = field(default_factory=dict)
    calls: list[tuple[float, str]] = field(default_factory=list)
    filled: list[float] = field(default_factory=list)
    left: int | None = None
    """How many molds were still empty when the last one was filled; None: nobody marked it."""
    no_cure_t: float | None = None

    def kick_by(self, t: float) -> Window | None:
        """The kick's window as it stood at t."""
        return next((told for told in reversed(self.kick) if told.t <= t), None)

    def ready_by(self, mold: str, t: float) -> ReadyTold | None:
        """A part's forecast as it stood at t."""
        return next((told for told in reversed(self.ready.get(mold, ())) if told.t <= t), None)


@dataclass(slots=True)
class WeekTold:
    """What was told, by pour; when each load's pressure began to rise; alarms in order."""

    pours: dict[str, PourTold] = field(default_factory=dict)
    rises: dict[str, float] = field(default_factory=dict)
    alarms: list[Alarm] = field(default_factory=list)

    def of(self, pour: str) -> PourTold:
        """What was told of a pour; nothing for one nobody spoke of."""
        return self.pours.get(pour) or PourTold()


async def read_told(journal: Readable, since_t: float, until_t: float) -> WeekTold:
    """What was told between two times [unix s].  Raises JournalError."""
    week, book = WeekTold(), Logbook(journal)
    late: set[str] = set()
    async for told in book.effects(kind="finding", names=NAMES, since_t=since_t, until_t=until_t):
        pour = str(told.body.get("pour") or "")
        if told.name == "load_closed":
            week.rises[str(told.body.get("load"))] = float(told.body.get("since") or told.t)
        elif pour:
            _take(week.pours.setdefault(pour, PourTold()), told, late, pour)
    for alarm in await alarms_begun(book, since_t, until_t):
        subject = alarm.body.get("subject", {})
        week.alarms.append(Alarm(alarm.t, alarm.name, subject.get("pot")))
    return week


def _take(known: PourTold, told: Told, late: set[str], pour: str) -> None:
    body = told.body
    match told.name:
        case "kick_forecast":
            known.kick.append(_window(told.t, body))
        case "kicked":
            known.found.append((_window(told.t, body), str(body["basis"])))
        case "demold_forecast":
            green = body.get("green_at")
            ready = ReadyTold(told.t, _times(body["hard_at"]), None if green is None else _times(green))
            known.ready.setdefault(str(body["mold"]), []).append(ready)
        case "demold_ready":
            known.words.setdefault(str(body["mold"]), []).append((told.t, str(body["stage"])))
        case "mold_poured":
            known.filled.append(told.t)
            known.left = int(body["left"])
        case "pressure_late" if body.get("active") and pour not in late:
            late.add(pour)  # told again as the pot rises: one word
            known.calls.append((told.t, told.name))
        case "no_cure" if not body.get("inferred"):
            known.no_cure_t = told.t
        case "last_mold" | "lid_now":
            known.calls.append((told.t, told.name))


def _window(t: float, body: Mapping[str, Any]) -> Window:
    return Window(t, float(body["early"]), float(body["at"]), float(body["late"]))


def _times(given: Iterable[float]) -> Times:
    early, likely, late = given
    return float(early), float(likely), float(late)
