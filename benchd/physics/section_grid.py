"""Cuts a mold section into cells of resin, silicone wall and air film, with their heat capacities and links.

One section is half a slab, a cylinder or a sphere, symmetric about its middle.  With r the distance from there and
area A = r^j (j = 0, 1, 2; per m2, per radian and m, per steradian):

    capacity  rho c (r2^(j+1) - r1^(j+1))/(j+1)                between a cell's two faces
    link      A(face) / (half a cell of each side over its k)   between neighbours' middles
    film      A(outside) / (half a cell over its k + 1/h)       to the air, which keeps its temperature

Resin cells are of one width; wall cells widen outwards by 1.6, so that the first second of contact is seen.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

import numpy as np
import numpy.typing as npt

Array = npt.NDArray[np.float64]
Shape = Literal["slab", "cylinder", "sphere"]
POWER: dict[Shape, int] = {"slab": 0, "cylinder": 1, "sphere": 2}
WIDENING = 1.6


@dataclass(frozen=True, slots=True, kw_only=True)
class Matter:
    """What the section is made of: heat capacities [J/m3K], conductivities [W/mK], the film to the air [W/m2K].

    Resin 1.07 g/ml, 1.8 J/gK, 0.21 W/mK and silicone 1.1 g/ml, 1.3 J/gK, 0.2 W/mK: common practice and published model
    inputs; the film is still air's convection and radiation, common practice.
    """

    resin_j_m3k: float = 1.07e6 * 1.8
    resin_w_mk: float = 0.21
    wall_j_m3k: float = 1.1e6 * 1.3
    wall_w_mk: float = 0.20
    film_w_m2k: float = 8.0


@dataclass(frozen=True, slots=True)
class Grid:
    """A batch of sections: capacity and share (N or R, columns), links (N-1, columns), film (columns), resin cells R.

    Units: J/K, W/K, share of the section's resin in each resin cell.
    """

    capacity: Array
    links: Array
    film: Array
    share: Array
    resin_cells: int

    def columns(self, kept: npt.NDArray[np.bool_]) -> Grid:
        """The same grid with only these columns."""
        return Grid(self.capacity[:, kept], self.links[:, kept], self.film[kept], self.share[:, kept], self.resin_cells)


def section_grid(
    half_mm: Array, wall_mm: Array, shape: Shape = "slab", matter: Matter | None = None, cells: tuple[int, int] = (8, 6)
) -> Grid:
    """Cells of a batch of sections: half thickness or radius [mm] and wall [mm] of each column.

    cells: how many of resin and of wall; no wall cells leave the bare section in its film.
    """
    made_of, power = matter or Matter(), POWER[shape]
    resin, wall = cells
    widths = np.concatenate([_even(half_mm, resin), _widening(wall_mm, wall)]) / 1000.0
    faces = np.concatenate([np.zeros((1, len(half_mm))), np.cumsum(widths, axis=0)])
    heat = np.repeat([made_of.resin_j_m3k, made_of.wall_j_m3k], [resin, wall])[:, None]
    conductivity = np.repeat([made_of.resin_w_mk, made_of.wall_w_mk], [resin, wall])[:, None]
    volume = (faces[1:] ** (power + 1) - faces[:-1] ** (power + 1)) / (power + 1)
    half_cell = 0.5 * widths / conductivity
    area = faces[1:] ** power
    links = area[:-1] / (half_cell[:-1] + half_cell[1:])
    film = area[-1] / (half_cell[-1] + 1.0 / made_of.film_w_m2k)
    return Grid(heat * volume, links, film, volume[:resin] / volume[:resin].sum(axis=0), resin)


def _even(total: Array, count: int) -> Array:
    return np.repeat(total[None, :] / count, count, axis=0)


def _widening(total: Array, count: int) -> Array:
    growth = WIDENING ** np.arange(count)
    return growth[:, None] * (total[None, :] / growth.sum() if count else total[None, :])
