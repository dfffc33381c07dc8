"""How seldom does a hold end before the last gel, and what would a later edge cost?  On four families of resins.

    pytest -m accuracy tests/accuracy/test_gel_edge.py     with BENCHD_WRITE_SCORECARD=1 writes its table

A hold ends at the late edge (95 %) of the last gel.  Beside it the edges of 90 and 99 %, which the same forecast would
give: who vents early loses the cast, who waits longer loses minutes of every load.  The families' rate laws, gels and
molds are none of the product's (rehearsed/families.py); the label alone is known, and the cup's kick.
"""

from __future__ import annotations

from dataclasses import dataclass
from math import exp, log

import numpy as np
import pytest
from accuracy.card import put
from accuracy.family_parts import shown_parts
from rehearsed.families import FAMILIES

THIN_MM = (2.0, 3.0, 6.0)
"""Thin sections gel last."""
EDGES = {"90 %": 1.282, "95 %": 1.645, "99 %": 2.326}
FIRST = 1000


@dataclass(frozen=True, slots=True)
class Gel:
    """One section's gel [s after the mix]: forecast likely and at its 95 % edge, and true."""

    family: str
    thick_mm: float
    likely: float
    late: float
    true: float

    def edge(self, z: float) -> float:
        """The edge at z standard deviations, by the forecast's own doubt."""
        return self.likely * exp(z / EDGES["95 %"] * log(self.late / self.likely))


def gels(family: str, seed: int, pours: int) -> list[Gel]:
    """The thin sections of one resin's pours."""
    out: list[Gel] = []
    for part, times in shown_parts(family, seed, pours, THIN_MM):
        if part.gel_s is not None and times.gel is not None:
            out.append(Gel(family, part.thick_mm, times.gel[1], times.gel[2], part.gel_s))
    return out


def row(name: str, own: list[Gel]) -> str:
    """Of a family's sections: how many gel after each edge, and how long each edge waits in the median."""
    early = [sum(g.edge(z) < g.true for g in own) for z in EDGES.values()]
    waits = [float(np.median([g.edge(z) / g.true for g in own])) for z in EDGES.values()]
    cells = [f"{100 * n / len(own):.1f} %, {wait:.1f} times" for n, wait in zip(early, waits, strict=True)]
    return f"| {name} | {len(own)} | " + " | ".join(cells) + " |"


@pytest.mark.wide
@pytest.mark.timeout(120)
def test_one_resins_sections_gel_before_the_edge() -> None:
    (found, later) = (gels("two-rate", seed, 2) for seed in (FIRST, FIRST + 1))
    assert len(found) + len(later) >= 8
    assert sum(g.edge(EDGES["95 %"]) < g.true for g in (*found, *later)) <= 1


@pytest.mark.accuracy
@pytest.mark.timeout(1800)
def test_the_edge_of_the_hold() -> None:
    found = [g for family in FAMILIES for seed in range(FIRST, FIRST + 6) for g in gels(family, seed, 3)]
    lines = ["| family | sections | gel after the 90 % edge; it waits | 95 % | 99 % |", "|---|---|---|---|---|"]
    lines += [row(family, [g for g in found if g.family == family]) for family in FAMILIES]
    lines += [row("all", found)]
    put("gel edge", lines)
    assert np.mean([g.late < g.true for g in found]) <= 0.05
