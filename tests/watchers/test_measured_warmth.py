"""Measured warm-ups of other people's heaters beside the probe: no pour, no kick, and a hot cup is only logged."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Literal

import numpy as np
import pytest
from cup_population import Seen
from kick_bench import T0, at_cup, cup_reads, of, resin, room_reads, started, watched
from measured_warmth import BESIDE_C, EVERY_S, HEATED_C
from some_of import some_of

from benchd.core.findings import CupFoundHot, CupReacting, Event, Finding, Kicked, NoCure
from benchd.core.model import Tick

LEAD_S, AFTER_S = 300.0, 900.0
CupKind = Literal["witness", "mixing", "residue"]


def warmed(curve_c: Sequence[float], times: float, hz: float) -> Seen:
    """Five quiet minutes, the measured warm-up, its time stretched so many times, and its end held for 15 minutes.

    Between the measured readings a straight line, read by a probe of quarter degrees with 0.15 C of noise.
    """
    at_s = LEAD_S + times * EVERY_S * np.arange(len(curve_c))
    seen_s = np.arange(0.0, at_s[-1] + AFTER_S, 1.0 / hz)
    felt_c = np.interp(seen_s, at_s, curve_c) + np.random.default_rng(5).normal(0.0, 0.15, len(seen_s))
    return Seen(seen_s, np.round(4.0 * felt_c) / 4.0)


@pytest.mark.parametrize("kind", some_of(["witness", "mixing", "residue"], 1))
@pytest.mark.parametrize(("times", "hz"), [(1.0, 1.0), (0.5, 4.0), (3.0, 0.2)])
@pytest.mark.parametrize("curve_c", [HEATED_C, BESIDE_C], ids=["heated", "beside"])
def test_a_heater_beside_the_probe_opens_no_pour(
    curve_c: tuple[float, ...], times: float, hz: float, kind: CupKind
) -> None:
    """42 K in ten minutes and 14 K beside it; twice as fast, and three times as slow with one reading in 5 s."""
    found = watched(at_cup(resin(), kind), warmed(curve_c, times, hz), 22.0, is_marked=False)
    assert of((CupReacting, Kicked), found) == []


def test_the_heated_cup_is_logged_as_hot_and_the_other_is_not() -> None:
    """64 C in a room of 22 is 40 K above it for a minute; 36 C is not."""
    heated, beside = (
        watched(at_cup(resin()), warmed(curve_c, 1.0, 1.0), 22.0, is_marked=False) for curve_c in (HEATED_C, BESIDE_C)
    )
    assert len(of(CupFoundHot, heated)) == 1
    assert of(CupFoundHot, beside) == []


def higher(times: float, is_smooth: bool) -> list[float]:
    """The measured heater's curve, so many times as high above 22 C; smoothed over 35 s or with its own steps grown."""
    curve = np.array(HEATED_C)
    if is_smooth:
        curve = np.convolve(np.pad(curve, 3, mode="edge"), np.ones(7) / 7.0, mode="valid")
    return [float(c) for c in 22.0 + times * (curve - curve[0])]


def seen_by_an_engine(kind: CupKind, record: Seen, mix_s: float | None) -> list[Finding]:
    """As `watched`, with what the engine does: heat opens a pour, one that explains nothing is dropped."""
    watcher, found = at_cup(resin(), kind), list[Finding]()
    events: list[Event] = [room_reads(T0 - 0.5, 22.0)]
    events += [cup_reads(T0 + s, v) for s, v in zip(record.time_s.tolist(), record.value_c.tolist(), strict=True)]
    events += [Tick(T0 + s) for s in range(1, int(record.time_s[-1]) + 1)]
    events += [started(T0 + mix_s)] if mix_s is not None else []
    for event in sorted(events, key=lambda e: e.t):
        told = list(watcher.see(event))
        for each in list(told):
            if isinstance(each, CupReacting):
                told += watcher.see(started(each.mix_t, inferred=True, t=each.t))
            elif isinstance(each, NoCure) and each.inferred:
                watcher.pour = None
        found += told
    return found


@pytest.mark.parametrize(
    ("times", "is_smooth", "kind", "hz"),
    some_of([(x, smooth, kind, hz) for x in (3.0, 2.0, 4.0, 6.0) for kind in ("witness", "mixing")
             for hz in (1.0, 4.0) for smooth in (False, True)], 1),
)  # fmt: skip
def test_a_heater_however_high_is_no_kick(times: float, is_smooth: bool, kind: CupKind, hz: float) -> None:
    """To 280 C: no kick is told of it, since its slope falls from a quarter of its rise on.  Its own steps, grown to
    0.6 C and more, may open a pour; its smoothed curve opens none."""
    found = seen_by_an_engine(kind, warmed(higher(times, is_smooth), 1.0, hz), None)
    assert of(Kicked, found) == []
    if is_smooth:
        assert of(CupReacting, found) == []


@pytest.mark.wide
@pytest.mark.parametrize("k_s", [0.2, 0.34, 0.5])
def test_a_kettle_beside_a_marked_mix_is_no_kick(k_s: float) -> None:
    """Heated evenly from 22 to 84 C and held, through 3 s of lag, the mix marked a minute before it was put on."""
    at_s = np.arange(0.0, 640.0, 1.0)
    ramp = np.minimum(22.0 + k_s * np.maximum(at_s - 60.0, 0.0), 84.0)
    found = seen_by_an_engine("mixing", warmed(ramp[::5].tolist(), 1.0, 2.0), LEAD_S)
    assert of(Kicked, found) == []
