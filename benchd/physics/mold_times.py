"""When does a mold's part gel, turn green and turn hard, and how sure is that?  From its resin's section table.

A part is there when its thin AND its thick section are: thin ones wait for conversion, thick ones for cooling.  The
table knows a middling resin; kappa, ln of the label's demold time over the table's at 6 mm and 23 C, carries it to this
one: in full to hard times, in part to the rest [model: regressed over 40 drawn resins, seeds below 1000].  The speed of
the lot comes from the kick: a cup that kicked late by a factor had a lot slower by it.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from math import exp, hypot, log
from typing import Literal

from benchd.physics.kinetics import Cure
from benchd.physics.label_cure import cup_gel_s
from benchd.physics.section_table import Conditions, SectionTable

LABEL_SECTION_MM = 6.0  # common practice: ten-minute demold times suit about 4 to 8 mm
LABEL_WALL_MM = 12.0
KAPPA_SHARE = {"gel": (0.4, 0.1), "green": (0.65, 0.65), "hard": (1.0, 0.75)}
"""Share of kappa that reaches each time, up to 9 mm and from 20 mm on [model, see above]."""
THIN_MM, THICK_MM = 9.0, 20.0
MODEL_SD = {"gel": 0.30, "green": 0.28, "hard": 0.25}
"""sd of ln of a time, model against drawn resins, their kick known and their lot's own scatter apart [model]."""
GEL_THIN_SD = 0.38  # of gel below 4 mm: what a thin section does hangs on the shape of the resin's curve [model]
GEL_THIN_MM = 4.0
UNSEEN_LOT_SD = 0.22  # lots .18, labels .10, the map from cup to cup .06 [study]
MOST_LOT = 0.8
NEVER_S = 1e7

Stage = Literal["gel", "green", "hard"]
Limit = Literal["thin", "thick"]
STAGES: tuple[Stage, ...] = ("gel", "green", "hard")


@dataclass(frozen=True, slots=True)
class MoldTimes:
    """ln of seconds from the mix to gel, green and hard; which section each waits for."""

    ln_s: dict[Stage, float]
    limit: dict[Stage, Limit]


def mold_times(table: SectionTable, demold_s: float, thin_mm: float, thick_mm: float, at: Conditions) -> MoldTimes:
    """The times of one part: demold_s is the label's [s]; `at` its circumstances (thick_mm in it is not used)."""
    kappa = log(demold_s) - table.ln_times(Conditions(thick_mm=LABEL_SECTION_MM, wall_mm=LABEL_WALL_MM))["hard"]
    sections: dict[Limit, float] = {"thin": thin_mm, "thick": thick_mm}
    found = {name: table.ln_times(replace(at, thick_mm=mm)) for name, mm in sections.items()}
    ln_s: dict[Stage, float] = {}
    limit: dict[Stage, Limit] = {}
    for stage in STAGES:
        each = {name: found[name][stage] + _share(stage, mm) * kappa for name, mm in sections.items()}
        limit[stage] = "thick" if each["thick"] > each["thin"] else "thin"
        ln_s[stage] = max(each.values())
    ln_s["green"] = max(ln_s["green"], ln_s["gel"])
    ln_s["hard"] = max(ln_s["hard"], ln_s["green"])
    return MoldTimes(ln_s, limit)


def _share(stage: Stage, thick_mm: float) -> float:
    thin, thick = KAPPA_SHARE[stage]
    part = min(max((thick_mm - THIN_MM) / (THICK_MM - THIN_MM), 0.0), 1.0)
    return thin + part * (thick - thin)


def model_sd(stage: Stage, thin_mm: float, lot_sd: float) -> float:
    """Doubt of ln of a stage's time before anything is known of the mold; lot_sd that of the lot's ln speed."""
    own = GEL_THIN_SD if stage == "gel" and thin_mm < GEL_THIN_MM else MODEL_SD[stage]
    return hypot(own, lot_sd)


def lot_speed(cure: Cure, label_lot: float, kick_s: float, room_c: float, tau_s: float) -> float:
    """ln of the lot's speed over the table's resin, from its kick [s after the mix] in a cup of cooling time tau_s.

    label_lot: the same as the lot's own label says it; the cup is expected to kick accordingly.  At most +-0.8.
    """
    lot = label_lot
    for _ in range(3):  # the cup's time is nearly 1/speed, so a few corrections settle it
        expected_s = cup_gel_s(cure, cure.k_per_s * exp(lot), room_c, tau_s, NEVER_S)
        lot = min(max(lot + log(expected_s / kick_s), -MOST_LOT), MOST_LOT)
    return lot
