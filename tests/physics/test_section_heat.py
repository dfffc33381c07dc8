"""Does a section's heat flow as Carslaw & Jaeger say?  Series of slab and cylinder, contact temperature, time constant.

Sources beside the values.  theta = (T - Tair)/(T0 - Tair); Fo = k t/(rho c L^2), Bi = h L/k, L the half thickness or
radius: Carslaw & Jaeger, Conduction of Heat in Solids, 30-term series; the one-term roots as tabled by Cengel (Table
4-2) and Incropera & DeWitt (Table 5.1).
"""

from __future__ import annotations

import numpy as np
import pytest
from scipy.linalg import expm

from benchd.physics.section_grid import POWER, Array, Grid, Matter, Shape, section_grid
from benchd.physics.section_heat import after_heat_flow

K, RHO_C = 0.21, 1.07e6 * 1.8  # trade figures of cast urethane: W/mK, J/m3K
L_MM = 5.0


def cooled(shape: Shape, bi: float, fo: float, steps: int = 400, cells: int = 40) -> tuple[Array, Grid]:
    """theta of every cell of a bare section after Fourier number fo, by steps that grow evenly."""
    matter = Matter(film_w_m2k=bi * K / (L_MM / 1000.0), resin_w_mk=K, resin_j_m3k=RHO_C)
    grid = section_grid(np.array([L_MM]), np.array([0.0]), shape, matter, (cells, 0))
    end_s = fo * (L_MM / 1000.0) ** 2 * RHO_C / K
    edges = end_s * (np.arange(steps + 1) / steps) ** 2
    theta = np.ones((cells, 1))
    for step_s in np.diff(edges):
        theta = after_heat_flow(grid, theta, np.zeros((cells, 1)), np.array([step_s]))
    return theta[:, 0], grid


# shape, Bi, Fo, centre, surface: Carslaw & Jaeger, 30-term series
SERIES = [
    ("slab", 0.1, 0.5, 0.967981, 0.921779), ("slab", 0.1, 2.0, 0.837326, 0.797144),
    ("slab", 1.0, 0.05, 0.999751, 0.790377), ("slab", 1.0, 0.2, 0.950642, 0.643391),
    ("slab", 1.0, 0.5, 0.772526, 0.504522), ("slab", 1.0, 1.0, 0.533859, 0.348177),
    ("slab", 1.0, 2.0, 0.254668, 0.166091), ("slab", 10.0, 0.2, 0.829255, 0.122482),
    ("slab", 10.0, 0.5, 0.454641, 0.064329), ("slab", 10.0, 1.0, 0.163818, 0.023172),
    ("cylinder", 0.1, 0.5, 0.929340, 0.884592), ("cylinder", 0.1, 2.0, 0.693584, 0.660167),
    ("cylinder", 1.0, 0.2, 0.870174, 0.570228), ("cylinder", 1.0, 0.5, 0.548586, 0.352786),
    ("cylinder", 1.0, 1.0, 0.249380, 0.160338),
]  # fmt: skip


@pytest.mark.parametrize(("shape", "bi", "fo", "centre", "surface"), SERIES)
def test_a_bare_section_cools_as_the_series_says(
    shape: Shape, bi: float, fo: float, centre: float, surface: float
) -> None:
    theta, _ = cooled(shape, bi, fo)
    assert theta[0] == pytest.approx(centre, abs=0.002)
    # The last cell's middle lies half a cell inside: its own film drop carries it to the surface.
    assert theta[-1] / (1.0 + bi / 80.0) == pytest.approx(surface, abs=0.002)


@pytest.mark.parametrize(
    ("shape", "bi", "root"),
    [("slab", 0.1, 0.3111), ("slab", 1.0, 0.8603), ("slab", 10.0, 1.4289),
     ("cylinder", 0.1, 0.4417), ("cylinder", 1.0, 1.2558), ("cylinder", 10.0, 2.1795)],
)  # fmt: skip
def test_late_cooling_goes_at_the_tabled_rate(shape: Shape, bi: float, root: float) -> None:
    """One-term roots of Cengel, Table 4-2: theta falls as exp(-root^2 Fo) in the end."""
    early, late = cooled(shape, bi, 1.0)[0][0], cooled(shape, bi, 1.5)[0][0]
    assert np.sqrt(np.log(early / late) / 0.5) == pytest.approx(root, rel=0.003)


@pytest.mark.parametrize(("resin_c", "wall_c", "contact_c"), [(60.0, 20.0, 41.2549), (100.0, 20.0, 62.5098)])
def test_resin_and_silicone_meet_at_the_contact_temperature(resin_c: float, wall_c: float, contact_c: float) -> None:
    """(e1 T1 + e2 T2)/(e1 + e2), e = sqrt(k rho c): Carslaw & Jaeger 2.15; k .2, rho 1100, c 1800 and 1400."""
    matter = Matter(resin_j_m3k=1100 * 1800.0, resin_w_mk=0.2, wall_j_m3k=1100 * 1400.0, wall_w_mk=0.2, film_w_m2k=0.1)
    grid = section_grid(np.array([20.0]), np.array([40.0]), "slab", matter, (200, 24))
    above = np.full((224, 1), wall_c)
    above[:200] = resin_c
    for _ in range(40):
        above = after_heat_flow(grid, above, np.zeros((200, 1)), np.array([0.05]))
    half_cells = np.array([0.1e-3 / 2 / 0.2, (40e-3 * 0.6 / (1.6**24 - 1)) / 2 / 0.2])
    interface = (above[199, 0] / half_cells[0] + above[200, 0] / half_cells[1]) / (1.0 / half_cells).sum()
    assert interface == pytest.approx(contact_c, abs=0.3)


@pytest.mark.parametrize("shape", list(POWER))
def test_a_step_of_any_length_comes_near_the_exact_exponential(shape: Shape) -> None:
    """scipy.linalg.expm of the same cells: 1 % of the start at once for steps of a twentieth, no overshoot ever."""
    grid = section_grid(np.array([4.0]), np.array([12.0]), shape, Matter())
    n = len(grid.capacity)
    matrix = np.zeros((n, n))
    for i, link in enumerate(grid.links[:, 0]):
        matrix[i, i] += link
        matrix[i + 1, i + 1] += link
        matrix[i, i + 1] -= link
        matrix[i + 1, i] -= link
    matrix[-1, -1] += grid.film[0]
    start = np.where(np.arange(n) < 8, 80.0, 0.0)[:, None]
    exact = expm(-300.0 * matrix / grid.capacity) @ start
    above = start
    for _ in range(60):
        above = after_heat_flow(grid, above, np.zeros((8, 1)), np.array([5.0]))
    assert above == pytest.approx(exact, abs=0.05)
    once = after_heat_flow(grid, start, np.zeros((8, 1)), np.array([36000.0]))
    assert (np.abs(once) < 40.0).all()


def test_heat_goes_nowhere_but_out_through_the_film() -> None:
    matter = Matter(film_w_m2k=1e-9)
    grid = section_grid(np.array([3.0, 10.0]), np.array([12.0, 12.0]), "cylinder", matter)
    fed = np.full((8, 2), 2.0)
    above = after_heat_flow(grid, np.zeros((14, 2)), fed, np.array([60.0, 7.0]))
    assert (grid.capacity * above).sum(axis=0) == pytest.approx(fed.sum(axis=0), rel=1e-6)


def test_a_well_stirred_section_cools_with_its_time_constant() -> None:
    """Lumped: tau = rho c V/(h A) as Bi -> 0 (textbook); slab of half thickness L: rho c L/h."""
    bi = 0.001
    theta, _ = cooled("slab", bi, 0.7 / bi, steps=200, cells=10)
    assert theta[0] == pytest.approx(np.exp(-0.7), rel=0.002)


def test_cells_add_up() -> None:
    grid = section_grid(np.array([1.1, 13.0]), np.array([12.0, 14.0]), "slab")
    assert grid.capacity[:8].sum(axis=0) == pytest.approx(np.array([1.1e-3, 13e-3]) * RHO_C)
    assert grid.capacity[8:].sum(axis=0) == pytest.approx(np.array([12e-3, 14e-3]) * 1.1e6 * 1.3)
    assert grid.share.sum(axis=0) == pytest.approx(1.0)
    ball = section_grid(np.array([6.0]), np.array([0.0]), "sphere", cells=(8, 0))
    assert ball.capacity.sum() == pytest.approx(6e-3**3 / 3.0 * RHO_C)  # per steradian
