"""What all tests share: where everything is installed, a skipped test is a failed one."""

from __future__ import annotations

import os
from collections.abc import Generator

import pytest

DEMAND_ALL = "BENCHD_DEMAND_ALL"


@pytest.hookimpl(wrapper=True)
def pytest_runtest_makereport(item: pytest.Item) -> Generator[None, pytest.TestReport, pytest.TestReport]:
    """Under BENCHD_DEMAND_ALL nothing may be skipped."""
    report = yield
    if report.skipped and os.environ.get(DEMAND_ALL) and not hasattr(report, "wasxfail"):
        report.outcome = "failed"
        report.longrepr = f"skipped, but {DEMAND_ALL} is set: {report.longrepr}"
    return report
