"""pytest.approx typed as the number it stands for, to compare tuples and objects that hold exact values too."""

from __future__ import annotations

from typing import cast

import pytest


def nearly(number: float, rel: float | None = None, abs: float | None = None) -> float:
    """Equal to any float near the number: see pytest.approx.  For == alone; no sums can be done with it."""
    return cast(float, pytest.approx(number, rel=rel, abs=abs))
