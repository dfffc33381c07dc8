"""How long does a report take after a quarter of a year's casting?  Printed beside, and bounded by, a plain pass.

`python -m benchmarks.ages FOLDER` has the whole table, to five years.
"""

from __future__ import annotations

import asyncio
from pathlib import Path

import pytest
from benchmarks.ages import ASKED, plain_pass_s, report, spent_s
from benchmarks.test_throughput import told
from benchmarks.years import write_years

from benchd.core.bench import Bench


@pytest.fixture(scope="module")
def quarter(tmp_path_factory: pytest.TempPathFactory) -> tuple[Path, Bench]:
    path = tmp_path_factory.mktemp("years") / "journal.db"
    return path, asyncio.run(write_years(path, 0.25))


@pytest.mark.timeout(300)
def test_every_report(quarter: tuple[Path, Bench], capsys: pytest.CaptureFixture[str]) -> None:
    path, bench = quarter
    plain_s = plain_pass_s(path)
    took = {kind: spent_s(report(path, bench, kind, id)) for kind, id in ASKED}
    each = ", ".join(f"{kind} {s:.2f} s ({s / plain_s:.1f})" for kind, s in took.items())
    told(capsys, f"{path.stat().st_size / 1e6:.0f} MB; {each}; in brackets: plain passes of {plain_s:.2f} s")
    assert took["day"] < took["scrap"]
    assert max(took.values()) < 20.0 * plain_s
