"""What `benchd init` writes for a person to change, and whether it was changed."""

from __future__ import annotations

import tomllib
from pathlib import Path

from benchd.errors import Complaint
from benchd.runtime.files.regular_file import read_regular
from benchd.settings.loading import Loaded

SHOP, NAME, RESIN = "studio", "Bench", "fast-white"
FAST_WHITE = """\
# What the label of a fast white resin says: change it to what yours says.  The file's name is the resin's id.

name = "Fast white"
pot_life = "3 min"          # of pot_life_mass at 23 C
pot_life_mass = "100 g"
demold = "10 min"
least_hold = "8 min"        # under pressure, at the least
# stir = "30 s"             # where the label says how long: "Stop stirring." is said then, or sooner if time is short
# post_cure = "4 h"         # later mild heat, where the label asks for it: said once the parts are out
# post_cure_at = "65 C"
# heat_deflection = "52 C"  # of the data sheet (HDT, ISO 75), as cast: thick parts are foretold far better with it
ratio_volume = "1:1"        # A:B
density_a = "1.13 g/ml"
density_b = "1.02 g/ml"
density_cured = "1.07 g/ml"
"""


def left_as_written(loaded: Loaded) -> list[Complaint]:
    """What is still as init wrote it, though only the caster can know it; nothing of a simulated bench."""
    if any(getattr(source, "kind", "") == "simulated" for source in loaded.sources.values()):
        return []
    bench, label = str(loaded.places.bench), loaded.places.resins / f"{RESIN}.toml"
    found = [
        Complaint(bench, f"bench.{key}", f'is still "{value}", as init wrote it', f"write your own {what}")
        for key, value, written, what in (
            ("shop", loaded.bench.shop, SHOP, "studio's name"), ("name", loaded.bench.name, NAME, "bench's name"),
        )
        if value == written
    ]  # fmt: skip
    if _is_template(label):
        remedy = "write what your resin's own label says; kick and hold are forecast from it"
        found.append(Complaint(str(label), "file", "is as init wrote it", remedy))
    if not loaded.bench.molds:
        found.append(Complaint(str(loaded.places.shelf), "mold", "none is written", "benchd shelf add mold M01 --help"))
    return found


def _is_template(label: Path) -> bool:
    try:
        return tomllib.loads(read_regular(label).decode("utf-8")) == tomllib.loads(FAST_WHITE)
    except (OSError, ValueError):
        return False
