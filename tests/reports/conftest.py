"""The example configuration's bench, for all report tests."""

from __future__ import annotations

from pathlib import Path

import pytest

from benchd.core.bench import Bench
from benchd.plugins import load_settings

ROOT = Path(__file__).parents[2]


@pytest.fixture(scope="session")
def studio() -> Bench:
    """In UTC, so that its day is the recordings'."""
    return load_settings(ROOT / "config" / "bench.toml").bench
