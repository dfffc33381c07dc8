"""A mold, as its shelf describes it."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

from benchd.stored import stored

WARM_FOR_S = 900.0  # 10 to 15 min at 60 C just before the pour: published guidance; the longer, for a block of silicone


@stored("mold")
@dataclass(frozen=True, slots=True, kw_only=True)
class Mold:
    """A mold, with everything the shelf's file says about it."""

    id: str
    code: str
    name: str
    cavity_ml: float
    gate_ml: float = 0.0
    reservoir_ml: float = 0.0
    thin_mm: float
    thick_mm: float
    wall_mm: float = 12.0
    warm_c: float | None = None
    """The temperature it is heated to before a pour; None: the room's."""
    warm_for_s: float = WARM_FOR_S
    """How long that takes [s]."""
    dry: bool = False
    """It is dried before each cast, as one that was washed or tested with water."""
    release: Literal["spray", "talc", "none"] = "spray"
    """What goes on before each cast."""
    stance: str = ""
    traps: str = ""
    pull: Literal["green", "hard"] = "hard"
    life: int = 50
    casts_before: int = 0
    casts_a_day: int = 3
    """After this many casts it rests until tomorrow: 2-3 a day, common practice."""
    retired: bool = False
    reserve: bool = False
    """A mold filled with what is left in the cup."""
    footprint_cm2: float | None = None
    """The floor area it covers in the pot; None: from its cavity, walls and thickness."""
    height_cm: float | None = None
    """The height of its block; None: that of a cube of its volume and walls."""
    made: float | None = None
    """When it was made [unix s]."""
    shelf_end: float | None = None
    """The end of the last day it may be cast [unix s]; None: only its number of casts counts."""
    silicone: str = ""
    """Its silicone: molds of one silicone share what is learned about their life."""
    resin: str | None = None
    """The resin it is usually cast in, by id; None: the bench's default."""
    note: str = ""
    cost: float | None = None
    """What it cost to make, in the studio's currency; None: not known, and not in a part's cost."""
    length_mm: float | None = None
    """The part's longest free length; None: not known, and a thin section alone decides whether it wants support."""
