"""What a reaction put into a cup, from a whole probe record: the heat balance's rise with the probe's lag undone."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
from numpy.typing import NDArray

from benchd.physics.cup_heat import HeatBalance

Array = NDArray[np.float64]


def recover_rise_k(
    time_s: Sequence[float] | Array, probe_c: Sequence[float] | Array, room_c: float, tau_s: float, lag_s: float
) -> Array:
    """The rise an insulated cup would have shown [K], shape of time_s, from a whole probe record with its lag undone.

    time_s [s] must increase; needs at least three samples.  The lag is undone by rise_P + lag d(rise_P)/dt with
    central differences, so noise is amplified by lag over spacing: smooth a noisy record first.
    """
    times = np.asarray(time_s, dtype=np.float64)
    probe = np.asarray(probe_c, dtype=np.float64)
    balance = HeatBalance(tau_s, lag_s)
    seen = np.array([balance.update(float(t), float(p), room_c) for t, p in zip(times, probe, strict=True)])
    # The cup was already lag * P' away from the probe at the first sample: what the rise is counted from.
    undone = seen + lag_s * np.gradient(seen, times, edge_order=2)
    return np.asarray(undone - undone[0], dtype=np.float64)


def recover_heating_rate_k_s(time_s: Sequence[float] | Array, rise_k: Array) -> Array:
    """The reaction's heating rate d(rise)/dt [K/s] at each time of a recovered rise [K], by central differences.

    time_s [s] must increase; rise_k [K]: as `recover_rise_k` returns it.
    """
    return np.asarray(np.gradient(rise_k, np.asarray(time_s, dtype=np.float64)), dtype=np.float64)


def conversion(rise_k: Array, full_rise_k: float) -> Array:
    """Share reacted, rise over full rise (0..1, unclipped), at each recovered rise rise_k [K].

    full_rise_k: the resin's adiabatic rise [K].
    """
    return rise_k / full_rise_k
