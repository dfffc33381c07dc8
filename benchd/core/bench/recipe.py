"""A recipe: what goes into a resin besides A and B, by weight, and what that changes of its label.

Where a lot is named, LOT+RECIPE names the lot with the recipe: "r-07+grey".  A pour says so in its lot, so that what is
learned of it, its kicks and its speed, is learned for the two together.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import lru_cache
from typing import Any, Protocol

from benchd.physics.cup_heat import LABEL_TEMP_C
from benchd.physics.mixture import PIGMENT_CP, Part, density_g_ml, rise_share, slowing
from benchd.stored import stored

JOIN = "+"
DOUBT_SD = 0.15
"""sd of ln of the speed that pigment and filler leave unknown: some catalyse, some hold back; common practice, no
source.  Of a recipe that has kicked here its own kicks count instead."""
RESIN_CP = 1.8  # J/(g K), of a cast urethane [published for urethane foam's polymer]


class Label(Protocol):
    """What of a resin's label a recipe changes."""

    @property
    def pot_life_s(self) -> float: ...
    @property
    def pot_life_mass_g(self) -> float: ...
    @property
    def demold_s(self) -> float: ...
    @property
    def least_hold_s(self) -> float: ...
    @property
    def density_cured_g_ml(self) -> float: ...
    @property
    def peak_c(self) -> float | None: ...


class Weights(Protocol):
    """Parts by weight to 100 of A and B."""

    @property
    def pigment_phr(self) -> float: ...
    @property
    def filler_phr(self) -> float: ...


def resin_share(label: Weights) -> float:
    """A and B together over all that is mixed, by weight (0 to 1)."""
    return 100.0 / (100.0 + label.pigment_phr + label.filler_phr)


@stored("recipe")
@dataclass(frozen=True, slots=True, kw_only=True)
class Recipe:
    """Pigment and filler, in parts by weight to 100 of A and B together; densities [g/ml], specific heats [J/(g K)]."""

    id: str
    code: str
    name: str = ""
    pigment_phr: float = 0.0
    pigment_g_ml: float = 1.0
    filler_phr: float = 0.0
    filler_g_ml: float = 1.0
    filler_cp: float = 0.85
    note: str = ""

    def parts(self, density: float) -> tuple[Part, ...]:
        """The resin, of this density [g/ml], and what is in it: grams to 100 g of A and B."""
        return (
            Part(100.0, density, RESIN_CP), Part(self.pigment_phr, self.pigment_g_ml, PIGMENT_CP),
            Part(self.filler_phr, self.filler_g_ml, self.filler_cp),
        )  # fmt: skip

    def changes(self, label: Label) -> dict[str, Any]:
        """What it changes of a label's fields: times, density, peak, and what they rest on."""
        parts = self.parts(label.density_cured_g_ml)
        rise = rise_share(parts)
        slow = _slowing(label.pot_life_s, label.pot_life_mass_g, rise)
        return {
            "recipe": self.id, "pigment_phr": self.pigment_phr, "filler_phr": self.filler_phr, "rise_share": rise,
            "slowing": slow, "density_cured_g_ml": density_g_ml(parts), "pot_life_s": slow * label.pot_life_s,
            "demold_s": slow * label.demold_s, "least_hold_s": slow * label.least_hold_s,
            "peak_c": None if label.peak_c is None else LABEL_TEMP_C + rise * (label.peak_c - LABEL_TEMP_C),
        }  # fmt: skip


@lru_cache(maxsize=64)
def _slowing(pot_life_s: float, mass_g: float, rise: float) -> float:
    return slowing(pot_life_s, mass_g, rise)


def base_of(lot: str | None) -> str | None:
    """The lot itself, without its recipe.

    >>> base_of("r-07+grey"), base_of("r-07"), base_of(None)
    ('r-07', 'r-07', None)
    """
    return None if lot is None else lot.partition(JOIN)[0]


def recipe_of(lot: str | None) -> str | None:
    """The recipe's id, None without one.

    >>> recipe_of("r-07+grey"), recipe_of("r-07")
    ('grey', None)
    """
    return (lot or "").partition(JOIN)[2] or None
