"""Runs the examples in docstrings, so that none is out of date."""

from __future__ import annotations

import doctest
import importlib
from pathlib import Path

import pytest

ROOT = Path(__file__).parents[1]
WITH_EXAMPLES = sorted(
    ".".join(path.relative_to(ROOT).with_suffix("").parts).removesuffix(".__init__")
    for path in (ROOT / "benchd").rglob("*.py")
    if ">>> " in path.read_text("utf-8")
)


def test_numeric_modules_have_examples() -> None:
    assert {"benchd.physics.pot_gas", "benchd.core.units", "benchd.watchers.leak.pace"} <= set(WITH_EXAMPLES)


@pytest.mark.parametrize("name", WITH_EXAMPLES)
def test_the_examples_are_right(name: str) -> None:
    result = doctest.testmod(importlib.import_module(name))
    assert result.attempted > 0
    assert result.failed == 0
