"""What a word about time costs and saves, in casts: by the forecast's own distribution and the doubt about the hands.

too late   ln of the kick's time from the mix is normal on each side of its likely time, with the window's ends as its
           5 and 95 % points; what is left to do takes its usual time with an sd of its own; the pot is up too late
           with the chance that the kick comes before it
one more   costs, if the pot is late with it, all molds in the pot and itself; without it, those before it, and one
           mold that waits for the next load
"""

from __future__ import annotations

from math import erf, hypot, log, sqrt

from benchd.watchers.pace.tune import Deadline

Z95 = 1.645


def too_late_chance(due: Deadline, up_t: float, sd_s: float) -> float:
    """The chance that the kick comes before a pot that is up at up_t [unix s], give or take sd_s [s].

    Phi(ln(up / likely) / hypot(sd of ln kick, sd_s / up)), times from the mix.

    >>> due = Deadline(mix_t=0.0, early=140.0, likely=160.0, latest=190.0, up_by=140.0, late_by=150.0)
    >>> [round(too_late_chance(due, up_s, 5.0), 2) for up_s in (120.0, 140.0, 160.0, 180.0)]
    [0.0, 0.07, 0.5, 0.86]
    """
    up_s, likely_s = up_t - due.mix_t, due.likely - due.mix_t
    if up_s <= 0.0 or likely_s <= 0.0:
        return 0.0
    edge_s = (due.early if up_s < likely_s else due.latest) - due.mix_t
    kick_sd = max(abs(log(edge_s / likely_s)) / Z95 if edge_s > 0.0 else 1.0, 0.01)
    return 0.5 * (1.0 + erf(log(up_s / likely_s) / hypot(kick_sd, sd_s / up_s) / sqrt(2.0)))


def one_more_costs(due: Deadline, up_t: float, sd_s: float, next_s: float, molds: int) -> float:
    """How many casts more are lost, in the mean, if one mold more is poured that takes next_s [s].

    up_t: when the pot is up without it [unix s]; molds: how many are in it then.
    """
    before, after = too_late_chance(due, up_t, sd_s), too_late_chance(due, up_t + next_s, sd_s)
    return after * (molds + 1) - before * molds
