"""Measured warm-ups of other people's heaters beside the probe: no pour, no kick, and a hot cup is only logged."""

from __future__ import annotations

from typing import Literal

import numpy as np
import pytest
from cup_population import Seen
from kick_bench import at_cup, of, resin, watched
from measured_warmth import BESIDE_C, EVERY_S, HEATED_C

from benchd.core.findings import CupFoundHot, CupReacting, Kicked

LEAD_S, AFTER_S = 300.0, 900.0
CupKind = Literal["witness", "mixing", "residue"]


def warmed(curve_c: tuple[float, ...], times: float, hz: float) -> Seen:
    """Five quiet minutes, the measured warm-up, its time stretched so many times, and its end held for 15 minutes.

    Between the measured readings a straight line, read by a probe of quarter degrees with 0.15 C of noise.
    """
    at_s = LEAD_S + times * EVERY_S * np.arange(len(curve_c))
    seen_s = np.arange(0.0, at_s[-1] + AFTER_S, 1.0 / hz)
    felt_c = np.interp(seen_s, at_s, curve_c) + np.random.default_rng(5).normal(0.0, 0.15, len(seen_s))
    return Seen(seen_s, np.round(4.0 * felt_c) / 4.0)


@pytest.mark.parametrize("kind", ["witness", "mixing", "residue"])
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
