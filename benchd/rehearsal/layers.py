"""Builds cups and mold sections as one row of cells for heat flow: resin first, then what wraps it.

Every row is a chain of heat capacities joined by conductances, each cell with its own leak to the surroundings; slab,
straight cup (radial) and drained cup (axial) differ only in those numbers.  Per m2 of section, per m of cup height.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np

from benchd.rehearsal.resin import Array, ResinTruth

RESIN_CELLS = 12
WRAP_CELLS = 8

SILICONE_J_M3K = 1.1e6 * 1.3  # 1.1 g/ml, 1.3 J/gK: common practice, no source
SILICONE_W_MK = 0.2  # published sheet measurements 0.22-0.25, common practice 0.2
FOAM_J_M3K = 40e3  # expanded plastics, 30 kg/m3, 1470 J/kgK, 0.028 to 0.04 W/mK: CIBSE Guide A, table 3.37
FOAM_W_MK = 0.035
PLASTIC_J_M3K = 1.7e6  # about polypropylene's, 910 kg/m3, 1800 J/kgK, 0.22 W/mK: ISO 10456:2007, table 3
PLASTIC_W_MK = 0.2
STILL_AIR_W_M2K = 8.0  # convection and radiation: ISO 6946:2017, internal surface resistance 0.13 m2K/W


@dataclass(frozen=True, slots=True)
class Row:
    """capacities (N) [J/K], links (N-1) between neighbours and losses (N) to the surroundings [W/K], N = 12 + 8.

    share: the fraction of the resin in each resin cell.  area: what one unit of the row shows to the air [m2].
    """

    capacities: Array
    links: Array
    losses: Array
    share: Array
    area_m2: float


def _chain(resistances: list[float]) -> Array:
    return 1.0 / np.array(resistances)


def slab(resin: ResinTruth, thickness_mm: float, wall_mm: float, film_w_m2k: float = 7.0) -> Row:
    """Half of a flat mold section, symmetric about its middle: resin, silicone wall, film to the air; per m2."""
    dx_resin = thickness_mm / 2000.0 / RESIN_CELLS
    dx_wall = wall_mm / 1000.0 / WRAP_CELLS
    r_resin, r_wall = dx_resin / resin.conductivity_w_mk, dx_wall / SILICONE_W_MK
    inside = [r_resin] * (RESIN_CELLS - 1) + [0.5 * (r_resin + r_wall)] + [r_wall] * (WRAP_CELLS - 1)
    capacities = np.full(RESIN_CELLS + WRAP_CELLS, dx_wall * SILICONE_J_M3K)
    capacities[:RESIN_CELLS] = dx_resin * resin.density_g_ml * resin.cp_j_gk * 1e6
    losses = np.zeros(RESIN_CELLS + WRAP_CELLS)
    losses[-1] = 1.0 / (0.5 * r_wall + 1.0 / film_w_m2k)
    return Row(capacities, _chain(inside), losses, np.full(RESIN_CELLS, 1.0 / RESIN_CELLS), 1.0)


def straight_cup(resin: ResinTruth, mass_g: float, sleeve: str, radius_mm: float | None = None) -> Row:
    """A straight cup, radial; per m of filled height.  sleeve: "foam" (8 mm) or "plastic" (1 mm wall).

    A cup whose radius is not given is filled as high as it is wide.  The two ends leak from the resin cells.
    """
    volume_m3 = mass_g / resin.density_g_ml * 1e-6
    radius = (volume_m3 / (2.0 * math.pi)) ** (1 / 3) if radius_mm is None else radius_mm / 1000.0
    height = volume_m3 / (math.pi * radius**2)
    wrap_m, w_mk, j_m3k = (0.008, FOAM_W_MK, FOAM_J_M3K) if sleeve == "foam" else (0.001, PLASTIC_W_MK, PLASTIC_J_M3K)
    edges = np.concatenate(
        [np.linspace(0.0, radius, RESIN_CELLS + 1), radius + wrap_m * np.arange(1, WRAP_CELLS + 1) / WRAP_CELLS]
    )
    middles = 0.5 * (edges[1:] + edges[:-1])
    middles[0] = max(middles[0], 1e-6)
    areas = math.pi * (edges[1:] ** 2 - edges[:-1] ** 2)
    k = np.array([resin.conductivity_w_mk] * RESIN_CELLS + [w_mk] * WRAP_CELLS)
    out_to_edge = np.log(edges[1:] / middles) / (2.0 * math.pi * k)
    edge_to_middle = np.log(middles[1:] / edges[1:-1]) / (2.0 * math.pi * k[1:])
    heat = np.array([resin.density_g_ml * resin.cp_j_gk * 1e6] * RESIN_CELLS + [j_m3k] * WRAP_CELLS)
    losses = np.zeros(RESIN_CELLS + WRAP_CELLS)
    losses[-1] = 1.0 / (out_to_edge[-1] + 1.0 / (STILL_AIR_W_M2K * 2.0 * math.pi * edges[-1]))
    bottom_w_m2k = 1.0 / (wrap_m / w_mk + 1.0 / STILL_AIR_W_M2K)
    losses[:RESIN_CELLS] += areas[:RESIN_CELLS] * (STILL_AIR_W_M2K + bottom_w_m2k) / height
    share = areas[:RESIN_CELLS] / areas[:RESIN_CELLS].sum()
    return Row(areas * heat, 1.0 / (out_to_edge[:-1] + edge_to_middle), losses, share, 2.0 * math.pi * edges[-1])


def drained_cup(resin: ResinTruth, mass_g: float, floor_radius_mm: float = 42.0) -> Row:
    """What is left after pouring: a pool on a plastic floor on wood, axial; per m2."""
    depth = mass_g / resin.density_g_ml * 1e-6 / (math.pi * (floor_radius_mm / 1000.0) ** 2)
    dx, dx_floor = depth / RESIN_CELLS, 0.0012 / WRAP_CELLS
    r_resin, r_floor = dx / resin.conductivity_w_mk, dx_floor / PLASTIC_W_MK
    inside = [r_resin] * (RESIN_CELLS - 1) + [0.5 * (r_resin + r_floor)] + [r_floor] * (WRAP_CELLS - 1)
    capacities = np.full(RESIN_CELLS + WRAP_CELLS, dx_floor * PLASTIC_J_M3K)
    capacities[:RESIN_CELLS] = dx * resin.density_g_ml * resin.cp_j_gk * 1e6
    losses = np.zeros(RESIN_CELLS + WRAP_CELLS)
    losses[0] = 1.0 / (0.5 * r_resin + 1.0 / STILL_AIR_W_M2K)
    losses[-1] = 1.0 / (0.5 * r_floor + 1.0 / 10.0)  # wood under a hot cup takes about 10 W/m2K, invented
    return Row(capacities, _chain(inside), losses, np.full(RESIN_CELLS, 1.0 / RESIN_CELLS), 1.0)
