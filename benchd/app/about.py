"""Says which daemon this is and what it watches, for the `about` topic and the page."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

from benchd import __version__
from benchd.core.bench import Bench


def about(bench: Bench, boot: str, probes: Mapping[str, bool]) -> dict[str, Any]:
    """The facts; probes: source id -> whether it is up."""
    return {
        "version": __version__,
        "boot": boot,
        "shop": bench.shop,
        "bench": bench.id,
        "name": bench.name,
        "probes": [{"id": id, "up": is_up} for id, is_up in probes.items()],
        "channels": {c.id: {"role": c.role, "of": c.of, "source": c.source} for c in bench.channels},
        "molds": [m.code for m in bench.molds],
        "lots": [x.code for x in bench.lots],
    }
