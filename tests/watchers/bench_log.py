"""A plausible bench log: what watchers are shown over pours on an invented bench, without boards or an engine.

`day_log(...)` gives readings, ticks, marks, and the findings other stages would add, in the order an engine steps them.
The cup is an autocatalytic cure integrated here in 0.1 s steps, the pot an isothermal fill followed by cooling and a
leak; nothing is shared with the estimators under test.  `shown(...)` routes a log to one watcher as the roster does.
"""

from __future__ import annotations

import math
import random
from collections.abc import Iterable, Sequence
from dataclasses import dataclass, replace
from functools import cache
from types import ModuleType
from typing import Any

from benchd.core.bench import Bench, Channel, Cup, Lot, Mold, Pot, Resin
from benchd.core.findings import (
    CupPeaked,
    DemoldForecast,
    Event,
    Finding,
    HoldComplete,
    HoldForecast,
    Kicked,
    KickForecast,
    LoadClosed,
    LoadOpened,
    MoldPoured,
    PotAtPressure,
    PotFilling,
    PotIsolated,
    PotVented,
    PotVenting,
    PourEnded,
    PourStarted,
)
from benchd.core.model import Mark, Quality, Reading, Subject, Tick
from benchd.core.seat.roster import Seat
from benchd.core.seat.watcher import Place, Watcher, WatcherPlan

T0 = 1_767_607_200.0  # 2026-01-05 10:00:00 UTC
ATM_KPA = 101.325
TARGET_KPA, FLOOR_KPA = 289.6, 241.3  # 42 and 35 psi
LABEL = Resin(id="harbour-fast", name="Harbour Fast", pot_life_s=165.0, demold_s=600.0, ratio_weight_b=0.9,
              post_cure_s=14_400.0, post_cure_c=65.0)  # fmt: skip
MOLDS = (
    Mold(id="m02", code="M02", name="Keeper arms", cavity_ml=28.0, gate_ml=9.0, thin_mm=2.2, thick_mm=9.0),
    Mold(id="m05", code="M05", name="Heron legs", cavity_ml=17.0, gate_ml=8.0, thin_mm=2.0, thick_mm=5.0, pull="green"),
    Mold(id="m01", code="M01", name="Keeper torso", cavity_ml=96.0, gate_ml=14.0, thin_mm=6.0, thick_mm=26.0),
)


def _pot(id: str, name: str) -> Pot:
    return Pot(id=id, name=name, volume_l=16.5, free_l=13.0, marked_kpa=413.7, relief_kpa=379.2,
               target_kpa=TARGET_KPA, floor_kpa=FLOOR_KPA, limit_kpa=372.3, hold="isolated")  # fmt: skip


def _channel(id: str, role: str, of: str = "", period_s: float = 1.0) -> Channel:
    return Channel(id=id, source="board", senml=f"b1-{id}", role=role, of=of, period_s=period_s)


BENCH = Bench(
    id="north",
    shop="quiet-harbour",
    name="North bench",
    default_resin=LABEL.id,
    channels=(
        _channel("cup-1-temperature", "cup_temperature", "cup-1"),
        _channel("cup-2-temperature", "cup_temperature", "cup-2"),
        _channel("barrel-pressure", "pot_pressure", "barrel"),
        _channel("drum-pressure", "pot_pressure", "drum"),
        _channel("room-temperature", "room_temperature", period_s=5.0),
        _channel("room-humidity", "room_humidity", period_s=5.0),
        _channel("tank-pressure", "tank_pressure"),
        _channel("tank-temperature", "tank_temperature", period_s=5.0),
    ),
    pots=(_pot("barrel", "Barrel"), _pot("drum", "Drum")),
    cups=(Cup(id="cup-1", name="Cup one"), Cup(id="cup-2", name="Cup two")),
    molds=MOLDS,
    lots=(Lot(id="r-07", code="R-07", resin=LABEL.id, label=LABEL),),
    resins=(LABEL,),
    sources=(("board", "crc32"),),
)


# ---------------------------------------------------------------------------------------------------------- the truth


@dataclass(frozen=True, slots=True)
class Story:
    """One pour and its load; times in s after the story's start."""

    cup: str = "cup-1"
    pot: str = "barrel"
    room_c: float = 21.5
    rh_pct: float = 44.0
    tank_c: float = 22.0
    reactivity: float = 1.0  # near 0: a cup that never cures
    mix_s: float = 90.0
    fill_s: float = 194.0  # the lid is on
    fill_for_s: float = 30.0
    hold_for_s: float = 600.0
    leak_kpa_per_min: float = 0.0
    vent_for_s: float = 30.0
    length_s: float = 1200.0

    @property
    def up_s(self) -> float:
        return self.fill_s + self.fill_for_s

    @property
    def vent_s(self) -> float:
        return self.up_s + self.hold_for_s


@dataclass(frozen=True, slots=True)
class Curve:
    """A cup's true temperature [C] each 0.1 s from the mix on, and when it gels and peaks [s after the mix]."""

    temps_c: tuple[float, ...]
    gel_s: float
    peak_s: float


def cup_curve(room_c: float, for_s: float, reactivity: float = 1.0) -> Curve:
    """dT/dt = 118 r - (T - Troom)/900, r = k(T) (0.06 + a^1.4) (1 - a)^2.2, gel at a = 0.72; 0.1 s Euler steps.

    About 177 s to the gel at 21.5 C.  `gel_s` is NaN where it never gels.
    """
    temp_c, alpha, gel_s, temps = room_c + 1.0, 0.0, math.nan, []
    for i in range(int(for_s * 10) + 1):
        temps.append(temp_c)
        speed = 0.013 * reactivity * math.exp(5500.0 * (1.0 / 298.15 - 1.0 / (temp_c + 273.15)))
        rate = speed * (0.06 + alpha**1.4) * (1.0 - alpha) ** 2.2
        alpha += 0.1 * rate
        temp_c += 0.1 * (118.0 * rate - (temp_c - room_c) / 900.0)
        if math.isnan(gel_s) and alpha >= 0.72:
            gel_s = i / 10.0
    return Curve(tuple(temps), gel_s, temps.index(max(temps)) / 10.0)


def pot_kpa(story: Story, at_s: float) -> float:
    """True gauge pressure [kPa]: a straight fill, then gas 4 K warm cools over 60 s, a leak, and a bled vent."""
    if at_s < story.fill_s:
        return 0.0
    if at_s < story.up_s:
        return TARGET_KPA * (at_s - story.fill_s) / story.fill_for_s
    held_s = min(at_s, story.vent_s) - story.up_s
    cooled_kpa = 4.0 / 294.0 * (TARGET_KPA + ATM_KPA) * (1.0 - math.exp(-held_s / 60.0))
    held_kpa = max(TARGET_KPA - cooled_kpa - story.leak_kpa_per_min * held_s / 60.0, 0.0)
    if at_s < story.vent_s:
        return held_kpa
    return max(held_kpa * (1.0 - (at_s - story.vent_s) / story.vent_for_s), 0.0)


# ------------------------------------------------------------------------------------------------------------ the log

_OF_A_CURE = (KickForecast, Kicked, CupPeaked, HoldForecast, HoldComplete, DemoldForecast)


def _probe_c(story: Story, curve: Curve, at_s: float) -> float:
    """What the cup's probe feels: the room until it is put in, 45 s after the mix."""
    into_s = at_s - story.mix_s
    if into_s < 45.0:
        return story.room_c
    here = curve.temps_c[int(10.0 * max(into_s - 3.0, 0.0))]  # a 3 s lag, as a delay
    return here + (story.room_c - here) * math.exp(-(into_s - 45.0) / 3.0)


def _readings(story: Story, t0: float, hz: float, seed: int, shared: bool) -> list[Reading]:
    """All of a story's probes; `shared` adds the room's and the tank's."""
    dice = random.Random(seed)
    curve = cup_curve(story.room_c, story.length_s - story.mix_s + 1.0, story.reactivity)
    found = []
    for i in range(int(story.length_s * hz)):
        at_s = i / hz
        t = t0 + at_s
        cup = round(_probe_c(story, curve, at_s) + dice.gauss(0.0, 0.06), 2)
        pot = round(1000.0 * (pot_kpa(story, at_s) + dice.gauss(0.0, 0.25)), 0)
        found.append(_reading(t, f"{story.cup}-temperature", "cup_temperature", story.cup, cup, cup))
        found.append(_reading(t, f"{story.pot}-pressure", "pot_pressure", story.pot, pot / 1000.0, pot))
        if shared:
            tank = round(1000.0 * (690.0 + dice.gauss(0.0, 1.0)), 0)
            found.append(_reading(t, "tank-pressure", "tank_pressure", "", tank / 1000.0, tank))
        if shared and i % max(int(5 * hz), 1) == 0:
            room = round(story.room_c + dice.gauss(0.0, 0.02), 2)
            rh = round(story.rh_pct + dice.gauss(0.0, 0.2), 2)
            tank_c = round(story.tank_c + dice.gauss(0.0, 0.05), 2)
            found.append(_reading(t, "room-temperature", "room_temperature", "", room, room))
            found.append(_reading(t, "room-humidity", "room_humidity", "", rh, rh))
            found.append(_reading(t, "tank-temperature", "tank_temperature", "", tank_c, tank_c))
    return found


def _reading(t: float, channel: str, role: str, of: str, value: float, raw: float) -> Reading:
    return Reading(t, channel, role, of, value, raw)


def _told(story: Story, t0: float, number: int) -> list[Event]:
    """Marks, and the findings of the books and of other watchers, each at its time."""
    curve = cup_curve(story.room_c, 400.0, story.reactivity)
    cures = not math.isnan(curve.gel_s)
    mix_t, up_t, vent_t = t0 + story.mix_s, t0 + story.up_s, t0 + story.vent_s
    gel_t, peak_t = mix_t + curve.gel_s, mix_t + curve.peak_s
    pour, load = f"{story.cup}-{number}", f"{story.pot}-{number}"
    early = Subject(bench="north", cup=story.cup, pour=pour, pot=story.pot)
    cup, pot = replace(early, load=load), Subject(bench="north", pot=story.pot, load=load)
    ids = tuple(m.id for m in MOLDS)
    where: dict[str, Any] = {"cup": story.cup, "pot": story.pot}
    events: list[Event] = [
        Mark(t=mix_t, verb="mix", id=f"a{number}", lot="r-07", molds=ids, a_g=159.5, b_g=143.5, **where),
        PourStarted(t=mix_t, subject=early, mix_t=mix_t, lot="r-07", molds=ids, inferred=False, number=number,
                    a_g=159.5, b_g=143.5),
        KickForecast(t=mix_t + 60.0, subject=early, at=gel_t, early=gel_t - 25.0, late=gel_t + 30.0,
                     confidence="good", basis="curve"),
    ]  # fmt: skip
    for i, mold in enumerate(ids):
        t = mix_t + 42.0 + 13.0 * i
        events.append(Mark(t=t, verb="poured", id=f"b{number}{i}", mold=mold, **where))
        events.append(MoldPoured(t=t, subject=replace(early, mold=mold), left=len(ids) - 1 - i))
    events += [
        LoadClosed(t=t0 + story.fill_s + 3.0, subject=pot, pours=(pour,), number=number),
        PotFilling(t=t0 + story.fill_s + 3.0, subject=pot, kpa=29.0, kpa_per_min=580.0),
        PotAtPressure(t=up_t, subject=pot, kpa=TARGET_KPA, since=up_t - 5.0, margin_s=gel_t - up_t + 5.0),
        Mark(t=up_t + 10.0, verb="shut", id=f"c{number}", pot=story.pot),
        PotIsolated(t=up_t + 10.0, subject=pot, since=up_t + 10.0, by="mark"),
        Kicked(t=gel_t + 6.0, subject=cup, at=gel_t, early=gel_t - 4.0, late=gel_t + 4.0, temp_c=62.0, basis="curve"),
        CupPeaked(t=peak_t + 8.0, subject=cup, at=peak_t, temp_c=max(curve.temps_c)),
        HoldForecast(t=gel_t + 6.0, subject=pot, at=vent_t - 10.0, basis="curve"),
        HoldComplete(t=vent_t - 5.0, subject=pot, since=up_t - 5.0, min_kpa=280.0),
        PotVenting(t=vent_t + 4.0, subject=pot, kpa=250.0, kpa_per_min=-560.0, before_hold_complete=False, active=True),
        PotVented(t=vent_t + story.vent_for_s, subject=pot, kpa=0.4, near_zero=True, vent_s=story.vent_for_s),
        LoadOpened(t=vent_t + story.vent_for_s, subject=pot, pours=(pour,), number=number),
    ]
    done_t = vent_t + story.vent_for_s + 60.0
    for i, mold in enumerate(ids):
        at = (done_t - 300.0, done_t - 200.0, done_t - 100.0)
        part = replace(cup, mold=mold)
        events.append(DemoldForecast(t=gel_t + 8.0, subject=part, mold=mold, green_at=at, hard_at=at, basis="label"))
        pulled = Mark(t=done_t + 20.0 * i, verb="demolded", id=f"d{number}{i}", mold=mold, feel="hard", **where)
        events.append(pulled)
    events.append(PourEnded(t=done_t + 60.0, subject=cup, why="demolded"))
    return events if cures else [e for e in events if not isinstance(e, _OF_A_CURE)]


def day_log(stories: Sequence[Story] = (Story(),), t0: float = T0, hz: float = 1.0, seed: int = 7) -> list[Event]:
    """The stories one after another, one log, with a tick each whole second and at hz readings a second a probe."""
    events: list[Event] = []
    for number, story in enumerate(stories, start=1):
        events += _readings(story, t0, hz, seed + number, shared=True) + _told(story, t0, number)
        t0 += story.length_s
    return in_order(events)


def beside(story: Story, after_s: float, t0: float = T0, hz: float = 1.0, seed: int = 70) -> list[Event]:
    """A second story's own events, to be laid into another log with `in_order`."""
    return [*_readings(story, t0 + after_s, hz, seed, shared=False), *_told(story, t0 + after_s, 9)]


def in_order(events: Iterable[Event], ticks: bool = True) -> list[Event]:
    """Sorted by time, with a tick ahead of whatever comes at or after each whole second (unless they are in it)."""
    found = sorted(events, key=lambda e: e.t)
    if not ticks:
        return found
    ordered: list[Event] = []
    second = math.ceil(found[0].t)
    for event in found:
        while second <= event.t:
            ordered.append(Tick(float(second)))
            second += 1
        ordered.append(event)
    return ordered


def silenced(log: Iterable[Event], channel: str, since_s: float, until_s: float, t0: float = T0) -> list[Event]:
    """The log without a channel's readings in [since_s, until_s)."""
    return [
        e for e in log
        if not (isinstance(e, Reading) and e.channel == channel and t0 + since_s <= e.t < t0 + until_s)
    ]  # fmt: skip


def stuck(log: Iterable[Event], channel: str, since_s: float, until_s: float, t0: float = T0) -> list[Event]:
    """The log with a channel repeating the value it had at since_s until until_s."""
    held: Reading | None = None
    found: list[Event] = []
    for e in log:
        if isinstance(e, Reading) and e.channel == channel and t0 + since_s <= e.t < t0 + until_s:
            held = held or e
            found.append(replace(held, t=e.t))
        else:
            found.append(e)
    return found


# ----------------------------------------------------------------------------------------------------------- watching


def places(module: ModuleType, bench: Bench = BENCH) -> list[Place]:
    """Where the module's watchers stand on this bench."""
    match module.SCOPE:
        case "bench":
            return [Place(bench, Subject(bench=bench.id))]
        case "cup":
            return [Place(bench, Subject(bench=bench.id, cup=c.id), cup=c) for c in bench.cups]
        case "pot":
            return [Place(bench, Subject(bench=bench.id, pot=p.id), pot=p) for p in bench.pots]
    raise AssertionError(module.SCOPE)


def shown(module: ModuleType, place: Place, log: Iterable[Event]) -> list[Event]:
    """The events of the log that the roster would show a watcher of this module in this place."""
    plan = WatcherPlan(module.__name__, module.ORDER, module.SCOPE, module.READS, place, None, lambda: _unused())
    seat = Seat(plan, None)
    here = place.subject
    wants_reading = cache(seat.wants_reading)

    def wants(event: Event) -> bool:
        match event:
            case Reading():
                good = event.quality is Quality.GOOD or module.READS.all_qualities
                return good and wants_reading(event.role, event.of)
            case Tick():
                return bool(module.READS.ticks)
            case Mark():
                agrees = here.cup in (None, event.cup) or event.cup is None
                agrees = agrees and (here.pot in (None, event.pot) or event.pot is None)
                return agrees and event.verb in module.READS.marks
            case Finding():
                return seat.wants_finding(event)
            case _:
                return bool(module.READS.tables)

    return [event for event in log if wants(event)]


def _unused() -> Watcher:
    raise AssertionError("no watcher is made for routing")


def fresh(module: ModuleType, place: Place, **settings: Any) -> Watcher:
    """A new watcher of the module with default settings but these."""
    watcher: Watcher = module.make(module.Settings(**settings), place)
    return watcher


def watch(watcher: Watcher, events: Iterable[Event]) -> list[Finding]:
    """All findings in order; each must carry the time of the event it follows from."""
    found: list[Finding] = []
    for event in events:
        for finding in watcher.see(event):
            assert finding.t == event.t, f"{finding} follows from {event}"
            found.append(finding)
    return found
