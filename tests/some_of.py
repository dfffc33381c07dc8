"""What of a long sweep the default run tries: its first cases, a share of its examples; the rest is wide or CI's."""

from __future__ import annotations

import os
from collections.abc import Iterable
from typing import Any

import pytest

DEMAND_ALL = "BENCHD_DEMAND_ALL"
"""Set in CI: nothing may be skipped, and each property is tried on all its examples."""


def some_of(cases: Iterable[Any], first: int) -> list[Any]:
    """The cases as parameters; a case that is a tuple gives its values one by one."""
    return [
        pytest.param(*(case if isinstance(case, tuple) else (case,)), marks=[pytest.mark.wide] if at >= first else [])
        for at, case in enumerate(cases)
    ]


def examples(in_ci: int) -> int:
    """How many examples a property is tried on: a third of CI's in a developer's run."""
    return in_ci if os.environ.get(DEMAND_ALL) else -(-in_ci // 3)
