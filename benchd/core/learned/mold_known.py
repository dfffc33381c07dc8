"""Looks up what was learned about one mold with one resin."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any


def learned_of_mold(learned: Mapping[str, Any], mold: str, resin: str) -> Mapping[str, Any] | None:
    """What was learned about a mold with a resin; None if nothing."""
    entry: Any = learned.get("molds")
    for key in (mold, resin):
        entry = entry.get(key) if isinstance(entry, Mapping) else None
    return entry if isinstance(entry, Mapping) else None
