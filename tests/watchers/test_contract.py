"""What every watcher must keep, run over whatever stands in benchd/watchers/ (the contract: core/seat/watcher.py).

A new file is tested without an edit here.  The logs come from bench_log.py; a watcher is shown what the
roster would show it.
"""

from __future__ import annotations

import importlib
import math
import pkgutil
from collections import deque
from collections.abc import Iterator, Sequence
from dataclasses import fields, is_dataclass, replace
from enum import Enum
from functools import cache
from types import ModuleType
from typing import Any

import numpy as np
import pytest
from frozen_copy import frozen, frozen_copy
from pydantic import BaseModel, ValidationError
from some_of import some_of
from watchers.bench_log import T0, Story, beside, day_log, fresh, in_order, places, shown, silenced, stuck, watch

import benchd.watchers
from benchd.core.bench import ROLES
from benchd.core.findings import Event, Finding, PotIsolated, PotLeaking, SensorBack, SensorFault, SensorSilent
from benchd.core.format.printed import TIME_NAMES, to_json_object
from benchd.core.model import VERBS, Mark, Quality, Reading, Subject, Tick
from benchd.core.seat.watcher import Place, Reads

NAMES = sorted(m.name for m in pkgutil.iter_modules(benchd.watchers.__path__))
SENSOR_FINDINGS = (SensorSilent, SensorFault, SensorBack)
SHIFT_S = float(2**20)  # twelve days; a power of two, so that shifted times are exact
TIMES = (*TIME_NAMES, "mix_t", "floor_at", "projected_at", "green_at", "hard_at")

PLAIN = Story()
STORIES = {
    "plain": (PLAIN,),
    "leaky": (Story(leak_kpa_per_min=12.0),),
    "late": (Story(fill_s=270.0),),
    "damp": (Story(rh_pct=64.0, tank_c=33.0),),
    "cold and slow": (Story(room_c=15.0, fill_for_s=60.0, length_s=1300.0),),
    "never cures": (Story(reactivity=0.02),),
}


@cache
def log(name: str, hz: float = 1.0) -> tuple[Event, ...]:
    if name == "lost":
        return tuple(silenced(log("plain"), "barrel-pressure", 300.0, 400.0))
    if name == "stuck":
        return tuple(stuck(log("plain"), "cup-1-temperature", 180.0, 400.0))
    if name == "air left on":
        return tuple(e for e in log("plain") if not isinstance(e, PotIsolated | Mark))
    if name == "leaked":
        return tuple(sorted([*log("leaky"), _leak()], key=lambda event: event.t))
    if name == "off zero":
        return tuple(_off_zero(e) for e in log("plain", hz))
    if name == "jumping":
        return tuple(_jumping(e) for e in log("plain"))
    if name == "weighed":
        return (*_weighing(log("plain")[0].t, hz), *log("plain", hz))
    return tuple(day_log(STORIES[name], hz=hz))


def _weighing(before_t: float, hz: float) -> list[Event]:
    """A batch weighed half and half in the forty seconds before a log."""
    grams = [0.0] * 10 + [150.0] * 15 + [300.0] * 15
    each = [(before_t - 41.0 + i / hz, grams[int(i / hz)]) for i in range(int(40 * hz))]
    return [Reading(t, "scale", "scale", "", g, g) for t, g in each]


def _leak() -> Event:
    """A slow leak as judged in mid-hold."""
    return PotLeaking(
        t=T0 + 500.5, subject=Subject(bench="north", pot="barrel"), verdict="slow", kpa_per_min=5.0, low=4.0, high=6.0,
        conductance_m3_s_pa=2.5e-11, hole_mm=0.14, floor_at=None, matters=False, active=True,
    )  # fmt: skip


def _off_zero(event: Event) -> Event:
    """A gauge that reads 6 kPa more than there is."""
    if isinstance(event, Reading) and event.role == "pot_pressure" and event.value is not None:
        return replace(event, value=event.value + 6.0)
    return event


def _jumping(event: Event) -> Event:
    """The plain log with a pot that is at pressure within a second, and later goes to its relief's mark and back."""
    if not isinstance(event, Reading) or event.channel != "barrel-pressure":
        return event
    at_s = event.t - T0
    if 194.0 <= at_s < 224.0:
        return replace(event, value=289.6, raw=289_600.0)
    saw = {400: 379.2, 401: 379.2, 402: 352.0, 403: 355.0}.get(int(at_s))
    return event if saw is None else replace(event, value=saw, raw=1e3 * saw)


ALL_LOGS = (*STORIES, "lost", "stuck", "jumping", "weighed", "off zero", "leaked", "air left on")


@cache
def found_at(module: ModuleType, name: str, hz: float = 1.0) -> tuple[tuple[Place, tuple[Finding, ...]], ...]:
    """What each watcher of the module finds in a log, at its place."""
    return tuple((p, tuple(watch(fresh(module, p), shown(module, p, log(name, hz))))) for p in places(module))


def found_in(module: ModuleType, name: str, hz: float = 1.0) -> list[Finding]:
    """What all watchers of the module find in a log, watcher by watcher."""
    return [finding for _, found in found_at(module, name, hz) for finding in found]


@cache
def loaded_day(day: int) -> tuple[Event, ...]:
    """A load that leaks more than the day's before it."""
    story = replace(PLAIN, leak_kpa_per_min=3.0 * day)
    return tuple(day_log((story,), t0=T0 + day * story.length_s, hz=2.0, seed=day))


@pytest.fixture(params=NAMES)
def module(request: pytest.FixtureRequest) -> ModuleType:
    return importlib.import_module(f"benchd.watchers.{request.param}")


def test_the_folder_holds_watchers() -> None:
    assert {"air", "sensors"} <= set(NAMES)


def test_module_declares_itself(module: ModuleType) -> None:
    assert module.__doc__
    first = module.__doc__.splitlines()[0]
    assert first.startswith("Watches "), "the first line states what it watches for"
    assert module.SCOPE in ("bench", "cup", "pot")
    assert type(module.ORDER) is int
    assert isinstance(module.READS, Reads)
    assert set(module.READS.roles) <= set(ROLES)
    assert set(module.READS.marks) <= set(VERBS)
    assert all(issubclass(f, Finding) for f in module.READS.findings)
    assert module.EMITS
    assert all(issubclass(f, Finding) and f.finding for f in module.EMITS)


def test_settings_are_frozen_closed_and_all_defaulted(module: ModuleType) -> None:
    assert issubclass(module.Settings, BaseModel)
    assert module.Settings.model_config.get("frozen") is True
    assert module.Settings.model_config.get("extra") == "forbid"
    settings = module.Settings()
    with pytest.raises(ValidationError):
        module.Settings(no_such_key=1)
    for name in list(module.Settings.model_fields)[:1]:
        with pytest.raises(ValidationError):
            setattr(settings, name, 0)


@pytest.mark.parametrize("name", some_of(ALL_LOGS, 2))
def test_it_finds_only_what_it_declares_about_its_own_place_and_in_printable_form(
    module: ModuleType, name: str
) -> None:
    for finding in found_in(module, name):
        assert isinstance(finding, module.EMITS)
        assert finding.subject.bench == "north"
        assert finding.subject.cup in (None, "cup-1", "cup-2")
        assert to_json_object(finding)["finding"] == type(finding).finding
    for place, found in found_at(module, name):
        for finding in found:
            assert place.cup is None or finding.subject.cup in (None, place.cup.id)
            assert place.pot is None or finding.subject.pot in (None, place.pot.id)


def test_the_logs_make_it_speak(module: ModuleType) -> None:
    assert any(found_in(module, name) for name in ALL_LOGS), "a watcher that stays silent is not tested here"


def test_the_same_log_gives_the_same_findings(module: ModuleType) -> None:
    for place, found in found_at(module, "leaky"):
        assert watch(fresh(module, place), shown(module, place, log("leaky"))) == list(found)


# -------------------------------------------------------------------------------------------------------- shifted time


def _is_time(name: str) -> bool:
    return name in TIMES or name.endswith(("_at", "_t"))


def _moved(name: str, value: Any) -> Any:
    if isinstance(value, float):
        return pytest.approx(value + SHIFT_S, abs=0.05) if _is_time(name) else pytest.approx(value, rel=1e-4, abs=1e-3)
    if isinstance(value, tuple):
        return tuple(_moved(name, v) for v in value)
    return value


def _shifted(event: Event) -> Event:
    moved: dict[str, Any] = {f.name: _plus(f.name, getattr(event, f.name)) for f in fields(event)}
    return replace(event, **moved)


def _plus(name: str, value: Any) -> Any:
    if not _is_time(name):
        return value
    if isinstance(value, tuple):
        return tuple(_plus(name, v) for v in value)
    return value if value is None else value + SHIFT_S


def test_shifting_all_times_shifts_the_findings(module: ModuleType) -> None:
    for place, before in found_at(module, "leaky"):
        events = shown(module, place, log("leaky"))
        after = watch(fresh(module, place), [_shifted(e) for e in events])
        assert [type(f) for f in after] == [type(f) for f in before]
        for a, b in zip(after, before, strict=True):
            for f in fields(b):
                assert getattr(a, f.name) == _moved(f.name, getattr(b, f.name)), (type(b).finding, f.name)


# ------------------------------------------------------------------------------------------------------- other places


def test_another_cup_and_pot_and_unknown_channels_do_not_matter(module: ModuleType) -> None:
    alone = list(log("plain"))
    other = beside(Story(cup="cup-2", pot="drum", leak_kpa_per_min=20.0, length_s=1160.0), after_s=40.0)
    strange = [
        Reading(T0 + 3.0 * i + 0.5, f"{role}-unknown", role, "elsewhere", 90.0 * (i % 7), 1.0)
        for i in range(300)
        for role in ("cup_temperature", "pot_pressure", "mold_temperature")
    ]
    crowd = in_order([*alone, *other, *strange], ticks=False)
    for place, quiet in found_at(module, "plain"):
        if place.subject.cup == "cup-2" or place.subject.pot == "drum":
            continue
        loud = watch(fresh(module, place), shown(module, place, crowd))
        assert [f for f in loud if _ours(f)] == [f for f in quiet if _ours(f)]


def _ours(finding: Finding) -> bool:
    about = finding.subject
    return about.cup != "cup-2" and about.pot != "drum"


# ------------------------------------------------------------------------------------------------------------ garbage

RUBBISH = (math.nan, math.inf, -math.inf, None)


def _rubbish(t: float, place_channels: Any, i: int) -> Iterator[Reading]:
    for channel in place_channels:
        value = RUBBISH[i % len(RUBBISH)]
        yield Reading(t, channel.id, channel.role, channel.of, value, value)
        yield Reading(t, channel.id, channel.role, channel.of, None, value, Quality.FAULT, "open")
        yield Reading(t, channel.id, channel.role, channel.of, value, None, Quality.SUSPECT)


def test_garbage_alone_yields_nothing_but_sensor_findings(module: ModuleType) -> None:
    for place in places(module):
        rubbish = [r for i in range(200) for r in _rubbish(T0 + i, place.bench.channels, i)]
        # every quality is shown here, even to those the roster would spare it
        events = [e for e in in_order(rubbish) if not isinstance(e, Tick) or module.READS.ticks]
        events = [e for e in events if not isinstance(e, Reading) or e.role in module.READS.roles]
        assert all(isinstance(f, SENSOR_FINDINGS) for f in watch(fresh(module, place), events))


def not_of_sensors(findings: Sequence[Finding]) -> list[Finding]:
    return [f for f in findings if not isinstance(f, SENSOR_FINDINGS)]


def test_garbage_amid_good_readings_changes_no_finding(module: ModuleType) -> None:
    """But for those that are about garbage."""
    for place, without in found_at(module, "leaky"):
        clean = list(log("leaky"))
        rubbish = [r for i in range(0, 1100, 3) for r in _rubbish(T0 + i + 0.5, place.bench.channels, i)]
        mixed = shown(module, place, in_order([*clean, *rubbish], ticks=False))
        with_garbage = watch(fresh(module, place), mixed)
        assert not_of_sensors(with_garbage) == not_of_sensors(without)


# ------------------------------------------------------------------------------------------------ rates, memory, state


@pytest.mark.parametrize("hz", some_of([4.0, 10.0], 1))
def test_sample_rate_changes_no_kind_of_finding(module: ModuleType, hz: float) -> None:
    kinds = {rate: {type(f).finding for f in found_in(module, "leaky", rate)} for rate in (1.0, hz)}
    assert kinds[hz] == kinds[1.0]


@pytest.mark.parametrize("days", some_of([4, 8], 1))
def test_memory_stays_bounded(module: ModuleType, days: int) -> None:
    for place in places(module)[:1]:
        watcher = fresh(module, place)
        sizes = []
        for day in range(days):
            watch(watcher, shown(module, place, loaded_day(day)))
            sizes.append(len(frozen(watcher)))
        assert sizes[-1] <= 1.1 * max(sizes[:3]) + 1024, sizes
        assert max(sizes) < 400_000, sizes


def test_a_copy_gone_through_a_checkpoint_goes_on_alike_at_any_cut(module: ModuleType) -> None:
    for place, whole in found_at(module, "leaky")[:1]:
        events = shown(module, place, log("leaky"))
        watcher, pieces = fresh(module, place), []
        for start in range(0, len(events), 31):
            watcher = frozen_copy(watcher)
            pieces += watch(watcher, events[start : start + 31])
        assert pieces == list(whole)


def test_state_is_plain(module: ModuleType) -> None:
    for place in places(module)[:1]:
        watcher = fresh(module, place)
        watch(watcher, shown(module, place, log("plain"))[:2500])
        assert sorted(_odd(watcher, module.__name__)) == []


def _odd(value: Any, where: str, seen: tuple[int, ...] = ()) -> Iterator[str]:
    """Names of attributes that are no plain data: open files, sets, functions, generators, clocks, dice."""
    if value is None or isinstance(value, bool | int | float | str | bytes | Enum | BaseModel | np.generic):
        return
    if id(value) in seen:
        return
    seen = (*seen, id(value))
    if isinstance(value, np.ndarray):
        if value.dtype == object:
            yield f"{where}: array of objects"
    elif isinstance(value, dict):
        for k, v in value.items():
            yield from _odd(v, f"{where}[{k!r}]", seen)
    elif isinstance(value, list | tuple | deque):
        for i, v in enumerate(value):
            yield from _odd(v, f"{where}[{i}]", seen)
    elif isinstance(value, type):
        if not value.__module__.startswith("benchd."):
            yield f"{where}: {value}"
    elif type(value).__module__.startswith("benchd."):
        for name, v in _attributes(value):
            yield from _odd(v, f"{where}.{name}", seen)
    else:
        yield f"{where}: {type(value).__name__}"


def _attributes(value: Any) -> Iterator[tuple[str, Any]]:
    if is_dataclass(value):
        yield from ((f.name, getattr(value, f.name)) for f in fields(value))
        return
    yield from getattr(value, "__dict__", {}).items()
    for cls in type(value).__mro__:
        slots = cls.__dict__.get("__slots__", ())
        for name in (slots,) if isinstance(slots, str) else slots:
            if hasattr(value, name):
                yield name, getattr(value, name)
