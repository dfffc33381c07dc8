"""A long parametrised sweep: its first cases in the default run, the rest behind the marker `wide`."""

from __future__ import annotations

from collections.abc import Iterable
from typing import Any

import pytest


def some_of(cases: Iterable[Any], first: int) -> list[Any]:
    """The cases as parameters; a case that is a tuple gives its values one by one."""
    return [
        pytest.param(*(case if isinstance(case, tuple) else (case,)), marks=[pytest.mark.wide] if at >= first else [])
        for at, case in enumerate(cases)
    ]
