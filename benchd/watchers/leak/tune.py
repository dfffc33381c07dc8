"""The leak watcher's thresholds, each with where it comes from; its judges read them here."""

from __future__ import annotations

from pydantic import BaseModel, ConfigDict

from benchd.core.units import KPA_PER_PSI as PSI
from benchd.physics.leak_verdict import Z
from benchd.stored import stored


@stored("leak-settings")
class Settings(BaseModel):
    """Thresholds.  CP: common practice, no source; calc: computed; sim: simulated tight fills, see the scorecard."""

    model_config = ConfigDict(frozen=True, extra="forbid", allow_inf_nan=False)

    slow_kpa_min: float = 0.7 * PSI  # CP: 0.7 psi/min is a slow leak; tight means tight to this at least
    least_kpa_min: float = 0.15 * PSI  # CP: smaller leaks belong to a test of the empty pot
    least_probed_kpa_min: float = 0.06 * PSI  # sim: what a gas thermometer lets be told
    fast_kpa_min: float = 3.0 * PSI  # CP: 3 psi/min is a fast leak
    sure_kpa_min: float = 5.0 * PSI  # CP: 6 psi/min, sized a little low; that much is a leak, fed pot or shut,
    cooling_doubt: float = 1.5  # sim: and with what cooling takes at most, over what the observer makes of it
    edge_kpa: float = 1.0 * PSI  # CP: a regulator's droop below its setting
    edge_s: float = 2.0  # CP: no spike
    settles_low: float = 0.5  # CP: likelier than not; a word too many only keeps the air on a little longer
    filled_stands_s: float = 10.0  # CP: a fill that has not risen for so long has stopped,
    filled_step_kpa: float = 0.3 * PSI  # CP: by six times a gauge's noise
    stable_s: float = 30.0  # CP: a fast leak ends when its fall has paused for so long
    refill_kpa: float = 5.0 * PSI  # CP: a regulator's teeth are lower; a hand that fills lifts it further
    least_share: float = 0.5  # CP: below half of the floor nothing is left that a leak word could save
    letting_go_kpa_min: float = 15.0 * PSI  # CP: faster is a vent or a seal, the pot watcher's to tell
    z: float = Z  # sim: see leak_verdict
    fast_z: float = 1.8  # sim: with a low end of a third of fast no tight fast fill comes near
    fast_z_learned: float = 1.4  # sim: after LEARNED_FILLS tight fills; 0.6 called 9 of 120 fills of other pots fast
    fast_share: float = 0.8  # sim: a leak of 5 psi/min may at first be sized 2.5
    floor_on: float = 0.8  # sim: the chance at which the floor is foreseen; at 0.5 five times as many false words,
    floor_sure: float = 0.95  # CP: one in twenty, while the fill's heat may still explain the fall
    floor_off: float = 0.4  # sim: and below which it no longer is
    floor_near_s: float = 180.0  # CP: looked for each five seconds when the trend reaches it in three minutes,
    floor_near_kpa: float = 1.0 * PSI  # CP: or it is so near; else each whole minute
    floor_horizon_s: float = 900.0  # CP: how far ahead when nobody knows when the molds gel
    fast_window_s: float = 12.0  # calc: slope of 0.05 psi noise at 1 Hz over it is known to 0.3 psi/min;
    fast_fed_s: float = 15.0  # CP: and where the inlet may be open, longer than a hose sags when a valve is opened
    fast_doubt_kpa_min: float = 0.33 * PSI  # a noisier gauge is watched until it is known so well
    cooling_tau_s: float = 30.0  # calc: 14 to 30 s for 13 L
    settle_taus: float = 3.0  # calc: slow words wait for 3x the pot's cooling time
    settle_most_s: float = 200.0  # CP: a gas that cools longer is part of the forecast
    after_shut_s: float = 10.0  # sim: a window that begins at the mark itself gives many false alarms
    early_s: float = 4.0  # a fast leak is looked for from here on,
    early_until_s: float = 45.0  # until then: the verdicts of whole minutes never use those first seconds
