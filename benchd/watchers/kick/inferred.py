"""Keeps pours that nobody marked honest: a reaction is a reading that itself climbs, and goes on climbing.

A probe on anything warm and held there loses heat to the room by the sum, so its compensated rise grows although its
reading stands still.  So (1) a pour is inferred, and an inferred pour's kick believed, only while the reading itself is
up by CLIMBED_SHARE of the compensated rise.  (2) An inferred pour whose reading has not climbed for a pot life explains
nothing and is dropped.  (3) So is one whose record broke: the probe is somewhere else.
"""

from __future__ import annotations

from dataclasses import dataclass

from benchd.physics.cup_kick import KickFinder
from benchd.stored import stored

CLIMBED_SHARE = 0.5  # a cup that loses half of its heat within its own cure is too small to be judged unmarked
CLIMB_K = 1.0  # common practice: four steps of a quarter degree


def has_climbed(finder: KickFinder) -> bool:
    """True if the reading itself is up by its share of the rise the finder counts."""
    now_c, base_c = finder.smooth_c, finder.base_c
    return now_c is not None and base_c is not None and now_c - base_c >= CLIMBED_SHARE * finder.rise_k


@stored("climb-watch")
@dataclass(slots=True)
class ClimbWatch:
    """An inferred pour's climb: feed `see` its seconds; `restart` as a pour is inferred."""

    top_c: float = -273.15
    top_t: float = 0.0

    def restart(self, t: float, temp_c: float) -> None:
        """A pour was inferred at t [unix s], its cup at temp_c [C]."""
        self.top_t, self.top_c = t, temp_c

    def see(self, t: float, temp_c: float, noise_k: float) -> None:
        """One good second [unix s, C] and its noise [K]."""
        if temp_c > self.top_c + CLIMB_K + 2.0 * noise_k:
            self.top_t, self.top_c = t, temp_c

    def stands(self, t: float, for_s: float) -> bool:
        """True if there has been no climb for for_s [s]."""
        return t - self.top_t > for_s
