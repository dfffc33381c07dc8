"""The present facts of each pour, and what is open, collected from printed findings in the order they were found.

A revision replaces the facts of the start; a marked kick takes precedence over one found in the curve; an undone mix
leaves nothing.
"""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

STARTS = ("pour_started", "pour_revised")
POURS = (*STARTS, "pour_ended")
"""The findings that define pours and their content."""
POURS_AND_KICKS = (*POURS, "kicked")
PHASE_NAMES = ("pour_started", "pour_ended", "load_closed", "load_opened")
"""The findings that open or close a pour or a load."""
KEYS = ("mix_t", "lot", "molds", "number", "a_g", "b_g", "mold_c", "inferred", "cup", "pot")


def is_better_kick(basis: str | None, before: str | None) -> bool:
    """Whether a kick found on this basis replaces an earlier one (None: there was none)."""
    return before != "marked" or basis == "marked"


class Retold:
    """Pours by id, in the order they began: the keys of KEYS and, where known, `kick`, `ended_t` and `ended`.

    >>> retold = Retold()
    >>> retold.see("pour_started", {"t": 5.0, "pour": "a", "mix_t": 5.0, "lot": "r-07"})
    >>> retold.see("pour_ended", {"t": 9.0, "pour": "a", "why": "undone"})
    >>> retold.pours
    {}
    """

    def __init__(self) -> None:
        self.pours: dict[str, dict[str, Any]] = {}

    def see(self, name: str, body: Mapping[str, Any]) -> None:
        """Process one printed finding of POURS_AND_KICKS; one about an unknown pour is ignored."""
        id = str(body.get("pour") or "")
        if name in STARTS:
            self.pours.setdefault(id, {"pour": id}).update({key: body.get(key) for key in KEYS})
        pour = self.pours.get(id)
        if pour is None:
            return
        if name == "kicked" and is_better_kick(body.get("basis"), pour.get("kick", {}).get("basis")):
            pour["kick"] = {key: body.get(key) for key in ("at", "early", "late", "temp_c", "basis")}
        elif name == "pour_ended":
            pour.update(ended_t=body.get("t"), ended=body.get("why"))
            if body.get("why") == "undone":
                del self.pours[id]


class StillOpen:
    """The pours and loads that are open, by id: (when that was found, since when) [unix s].

    >>> still = StillOpen()
    >>> still.see("pour_started", "a", 9.0, 5.0)
    >>> still.see("load_closed", "l", 60.0, 60.0)
    >>> still.see("pour_ended", "a", 900.0, 900.0)
    >>> still.open
    {'l': (60.0, 60.0)}
    """

    def __init__(self) -> None:
        self.open: dict[str, tuple[float, float]] = {}

    def see(self, name: str, id: str, t: float, since: float) -> None:
        """Take one finding of PHASE_NAMES, found at t."""
        if name in ("pour_started", "load_closed"):
            self.open[id] = (t, since)
        else:
            self.open.pop(id, None)
