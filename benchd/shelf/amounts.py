"""Computes how much of A and B a set of molds takes, by weight and by cup marks.

    shot  = (cavity + gate + reservoir) x cured density                 each mold
    batch = sum of shots x (1 + cup film) + witness, to the whole gram
    resin = batch less the recipe's pigment and filler, which are parts by weight to 100 of A and B
    A, B  = resin split by the weight ratio

Volume and weight ratios differ: with A 1.13 and B 1.02 g/ml, 1:1 by volume is 100A:90B by weight, and weighing it
50/50 puts in 11 % too much B.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

from benchd.core.bench import WITNESS_G, Mold, Resin
from benchd.core.bench.recipe import resin_share

CUP_FILM = 0.03  # resin left on the wall of the mixing cup, over the fill: common practice, no source
SMALL_BATCH_G = 85.0  # below it a batch is hard to proportion and heats poorly: common practice, no source
LABEL_RATIO_TOLERANCE = 0.03  # a label rounds its ratios; common practice, no source


@dataclass(frozen=True, slots=True)
class Amounts:
    """One batch.  `shots_g` in the order of the molds; a_g + b_g + pigment_g + filler_g = batch_g; the ml are for marks
    on two like cups."""

    shots_g: tuple[float, ...]
    fill_g: float
    film_g: float
    witness_g: float
    batch_g: float
    a_g: float
    b_g: float
    a_ml: float
    b_ml: float
    is_small: bool
    pigment_g: float = 0.0
    filler_g: float = 0.0

    @property
    def resin_g(self) -> float:
        """A and B together: what a lot gives."""
        return self.a_g + self.b_g


def fill_ml(mold: Mold) -> float:
    """What one mold takes [ml]: the part, its gate and vents, and the reservoir that feeds shrinking air pockets."""
    return mold.cavity_ml + mold.gate_ml + mold.reservoir_ml


def shot_g(mold: Mold, cured_g_ml: float) -> float:
    """Resin for one mold [g], by the cured density: a casting weighed with its gates gives the same ml."""
    return fill_ml(mold) * cured_g_ml


def weight_ratio_b(volume_ratio_b: float, a_g_ml: float, b_g_ml: float) -> float:
    """Grams of B to one gram of A, from ml of B to one ml of A and the two liquids' densities."""
    return volume_ratio_b * b_g_ml / a_g_ml


def split(batch_g: float, ratio_weight_b: float) -> tuple[float, float]:
    """(A, B) in grams of a batch, with `ratio_weight_b` grams of B to one gram of A."""
    a_g = batch_g / (1.0 + ratio_weight_b)
    return a_g, batch_g - a_g


def amounts(molds: Sequence[Mold], label: Resin, witness_g: float = WITNESS_G) -> Amounts:
    """The batch for these molds with this resin.

    Weighing is to 2 % at best, so the batch is rounded to the whole gram; the film covers the rounding.
    Raises ValueError when there are no molds: an empty batch is a mistake, not a plan.
    """
    if not molds:
        raise ValueError("no molds")
    shots_g = tuple(shot_g(mold, label.density_cured_g_ml) for mold in molds)
    fill_g = math.fsum(shots_g)
    batch_g = float(math.floor(fill_g * (1.0 + CUP_FILM) + witness_g + 0.5))
    a_g, b_g = split(batch_g * resin_share(label), label.ratio_weight_b)
    return Amounts(
        shots_g=shots_g,
        fill_g=fill_g,
        film_g=batch_g - fill_g - witness_g,
        witness_g=witness_g,
        batch_g=batch_g,
        a_g=a_g,
        b_g=b_g,
        a_ml=a_g / label.density_a_g_ml,
        b_ml=b_g / label.density_b_g_ml,
        is_small=batch_g < SMALL_BATCH_G,
        pigment_g=(a_g + b_g) * label.pigment_phr / 100.0,
        filler_g=(a_g + b_g) * label.filler_phr / 100.0,
    )


def excess_b_if_weighed_by_volume(label: Resin) -> float:
    """How much too much B (0.11 = 11 %) goes in when the volume ratio is read as a weight ratio."""
    return label.ratio_volume_b / label.ratio_weight_b - 1.0
