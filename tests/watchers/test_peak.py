"""Is a cup's peak told once it is past, and a hot cup while it is hot?"""

from __future__ import annotations

import math
from collections.abc import Sequence
from typing import TypeVar

import numpy as np
import pytest

from benchd.core.bench import Bench, Cup, Resin
from benchd.core.findings import CupHot, CupOdd, CupPeaked, CupSteepest, Event, Finding, Kicked, PourEnded, PourStarted
from benchd.core.model import Reading, Subject
from benchd.core.seat.watcher import Place
from benchd.watchers import peak

T0 = 1_767_607_200.0
HOME = Subject(bench="north", cup="cup-1")
POUR = Subject(bench="north", cup="cup-1", pot="barrel", pour="cup-1-1")

F = TypeVar("F", bound=Finding)


def watcher(peak_c: float | None = None, mass_g: float = 100.0) -> peak.PeakWatcher:
    label = Resin(id="harbour-fast", name="Harbour Fast", pot_life_s=180.0, demold_s=600.0, peak_c=peak_c)
    cup = Cup(id="cup-1", name="Cup one", kind="mixing", mass_g=mass_g, probe_lag_s=3.0)
    bench = Bench(id="north", shop="quiet-harbour", name="North bench", resins=(label,))
    return peak.make(peak.Settings(), Place(bench, HOME, cup))


def hump(top_c: float, top_s: float = 240.0, noise_c: float = 0.0) -> list[tuple[float, float]]:
    """A cup that climbs to top_c at top_s and cools again (time constant 600 s), one reading a second."""
    s = np.arange(0.0, 900.0)
    climb = 22.0 + (top_c - 22.0) * np.exp(-(((s - top_s) / 60.0) ** 2))
    cool = 22.0 + (top_c - 22.0) * np.exp(-(s - top_s) / 600.0)
    noise = np.random.default_rng(7).normal(0.0, noise_c, len(s)) if noise_c else 0.0
    return list(zip(s.tolist(), (np.where(s < top_s, climb, cool) + noise).tolist(), strict=True))


def run(
    w: peak.PeakWatcher,
    curve: Sequence[tuple[float, float]],
    kicked_s: float | None = 200.0,
    pour: bool = True,
    more: Sequence[Event] = (),
) -> list[Finding]:
    events: list[Event] = [Reading(T0 + s, "cup-1-temperature", "cup_temperature", "cup-1", v, v) for s, v in curve]
    events += more
    if pour:
        events.append(
            PourStarted(t=T0 - 1.0, subject=POUR, mix_t=T0 - 1.0, lot=None, molds=(), inferred=False, number=1)
        )
    if kicked_s is not None:
        at = T0 + kicked_s
        events.append(Kicked(t=at, subject=POUR, at=at, early=at, late=at, temp_c=None, basis="marked"))
    return [f for e in sorted(events, key=lambda e: e.t) for f in w.see(e)]


def of(kind: type[F], found: Sequence[Finding]) -> list[F]:
    return [f for f in found if isinstance(f, kind)]


@pytest.mark.parametrize("noise_c", [0.0, 0.3])
def test_the_peak_is_told_once_the_cup_has_come_down_from_it(noise_c: float) -> None:
    (peaked,) = of(CupPeaked, run(watcher(), hump(96.0, noise_c=noise_c)))
    assert peaked.temp_c == pytest.approx(96.0, abs=0.6)
    assert peaked.at - T0 == pytest.approx(240.0 - 3.0, abs=6.0)  # the probe shows it its 3 s later
    assert peaked.subject.pour == "cup-1-1"
    assert peaked.t > peaked.at


def test_a_kick_told_after_the_peak_still_has_its_peak() -> None:
    """A kick found late, as after a hole, or marked late: the cup was hottest at 240 s and has cooled since."""
    steepest = CupSteepest(
        t=T0 + 215.0, subject=POUR, at=T0 + 200.0, early=T0 + 195.0, late=T0 + 205.0, temp_c=70.0, rate_k_per_min=60.0
    )
    w = watcher()
    (peaked,) = of(CupPeaked, run(w, hump(96.0), kicked_s=400.0, more=[steepest]))
    assert peaked.temp_c == pytest.approx(96.0, abs=0.6)
    assert peaked.at - T0 == pytest.approx(237.0, abs=6.0)


@pytest.mark.parametrize("every_s", [2.1, 3.0, 5.0])
def test_a_slow_probe_shows_its_peak_and_its_heat_too(every_s: float) -> None:
    times_s, temps_c = zip(*hump(140.0), strict=True)
    curve = [(s, float(np.interp(s, times_s, temps_c))) for s in np.arange(0.0, 900.0, every_s).tolist()]
    found = run(watcher(), curve)
    (peaked,) = of(CupPeaked, found)
    assert peaked.temp_c == pytest.approx(140.0, abs=2.0)
    assert [f.active for f in of(CupHot, found)] == [True, False]


def test_without_a_kick_or_a_pour_a_hump_is_no_peak() -> None:
    assert not of(CupPeaked, run(watcher(), hump(96.0), kicked_s=None))
    assert not of(CupPeaked, run(watcher(), hump(96.0), pour=False))


def test_a_second_word_of_the_same_kick_does_not_bring_a_second_peak() -> None:
    w = watcher()
    assert len(of(CupPeaked, run(w, hump(96.0)))) == 1
    again = Kicked(t=T0 + 901.0, subject=POUR, at=T0 + 200.0, early=T0, late=T0 + 210.0, temp_c=None, basis="marked")
    w.see(again)
    falling = [Reading(T0 + 902.0 + s, "c", "cup_temperature", "cup-1", 60.0 - s, 0.0) for s in range(30)]
    assert not of(CupPeaked, [f for e in falling for f in w.see(e)])


def test_a_cup_over_one_hundred_is_hot_until_it_is_below_ninety() -> None:
    hot = of(CupHot, run(watcher(), hump(118.0, noise_c=0.3), kicked_s=None, pour=False))
    # Common practice, no source: a residue above 100 C burns, and sets a bin on fire.
    assert [h.active for h in hot] == [True, False]
    assert hot[0].temp_c == pytest.approx(100.0, abs=2.5)
    assert hot[1].temp_c == pytest.approx(90.0, abs=1.5)
    cooled_s = 240.0 + 600.0 * math.log((118.0 - 22.0) / (90.0 - 22.0))
    assert hot[1].t - T0 == pytest.approx(cooled_s, abs=8.0)


def test_a_single_spike_makes_no_cup_hot() -> None:
    spiked = [(s, 400.0 if s == 50 else 130.0 if s == 60 else 22.0) for s in range(100)]
    assert run(watcher(), spiked, kicked_s=None) == []


@pytest.mark.parametrize(("top_c", "what"), [(70.0, "cool"), (96.0, None), (128.0, "hot")])
def test_a_peak_far_from_the_labels_is_odd(top_c: float, what: str | None) -> None:
    odd = of(CupOdd, run(watcher(peak_c=100.0), hump(top_c)))
    assert [o.what for o in odd] == ([what] if what else [])
    assert all(o.expected == 100.0 and o.got == pytest.approx(top_c, abs=0.5) for o in odd)


def test_a_cup_of_another_mass_is_not_held_against_the_labels_peak() -> None:
    # The label's peak is that of its own mass, here 100 g: 25 g peak lower whatever they are.
    assert not of(CupOdd, run(watcher(peak_c=100.0, mass_g=25.0), hump(60.0)))


def test_a_pour_that_ended_peaks_no_more() -> None:
    w = watcher()
    curve = hump(96.0)
    run(w, [p for p in curve if p[0] < 235.0])
    w.see(PourEnded(t=T0 + 236.0, subject=POUR, why="marked"))
    late = [Reading(T0 + s, "c", "cup_temperature", "cup-1", v, v) for s, v in curve if s > 236.0]
    assert not of(CupPeaked, [f for e in late for f in w.see(e)])


@pytest.mark.parametrize("value", [math.nan, math.inf, None, -273.0, 5000.0])
def test_garbage_is_passed_over(value: float | None) -> None:
    w = watcher()
    assert all(w.see(Reading(T0 + s, "c", "cup_temperature", "cup-1", value, value)) == () for s in range(20))
    assert not w.recent
