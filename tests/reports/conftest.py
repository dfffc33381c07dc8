"""One journal of the invented day for all report tests."""

from __future__ import annotations

from pathlib import Path

import pytest
from reports.cast_day import write_day

from benchd.core.bench import Bench
from benchd.plugins import load_settings

ROOT = Path(__file__).parents[2]


@pytest.fixture(scope="session")
def day_journal(tmp_path_factory: pytest.TempPathFactory) -> Path:
    path = tmp_path_factory.mktemp("cast-day") / "journal.db"
    write_day(path)
    return path


@pytest.fixture(scope="session")
def studio() -> Bench:
    """The example configuration's bench, in UTC so that its day is the recordings'."""
    return load_settings(ROOT / "config" / "bench.toml").bench
