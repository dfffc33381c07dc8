"""What all tests share: where everything is installed, a skipped test is a failed one."""

from __future__ import annotations

import os
import sys
import threading
from collections.abc import Generator
from pathlib import Path

import pytest

DEMAND_ALL = "BENCHD_DEMAND_ALL"


@pytest.hookimpl(wrapper=True)
def pytest_runtest_makereport(item: pytest.Item) -> Generator[None, pytest.TestReport, pytest.TestReport]:
    """Under BENCHD_DEMAND_ALL nothing may be skipped.

    What a test wrote travels from a worker process: a lone surrogate among it would end the whole run.
    """
    report = yield
    report.sections = [(name, text.encode("utf-8", "replace").decode()) for name, text in report.sections]
    if report.skipped and os.environ.get(DEMAND_ALL) and not hasattr(report, "wasxfail"):
        report.outcome = "failed"
        report.longrepr = f"skipped, but {DEMAND_ALL} is set: {report.longrepr}"
    return report


_STATUS = pytest.StashKey[int]()


def pytest_sessionfinish(session: pytest.Session, exitstatus: int) -> None:
    session.config.stash[_STATUS] = int(exitstatus)


@pytest.hookimpl(trylast=True)
def pytest_unconfigure(config: pytest.Config) -> None:
    """Name a thread that would keep the run from ending, and end it all the same."""
    main = threading.main_thread()
    left = [t.name for t in threading.enumerate() if t is not main and not t.daemon and "ThreadPool" not in t.name]
    if left:
        print(f"threads left running: {', '.join(left)}", file=sys.stderr, flush=True)
        sys.stdout.flush()
        os._exit(config.stash.get(_STATUS, 1))


@pytest.fixture(scope="session")
def day_journal(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """One journal of the invented day, for all that read it."""
    from reports.cast_day import write_day

    path = tmp_path_factory.mktemp("cast-day") / "journal.db"
    write_day(path)
    return path
