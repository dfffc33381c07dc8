"""What all tests share: where everything is installed, a skipped test is a failed one."""

from __future__ import annotations

import contextlib
import gc
import os
import pickle
import sys
import threading
import time
from collections.abc import Generator, Iterator
from pathlib import Path

import hypothesis
import psutil
import pytest
from built_once import built_once, shared
from some_of import DEMAND_ALL, examples

from benchd.core.findings import Effect

COLLECT = "BENCHD_COLLECT"

# Some hundred processes are begun: each would compile all of benchd again.
os.environ.pop("PYTHONDONTWRITEBYTECODE", None)
sys.dont_write_bytecode = False

# An example may take as long as a busy machine needs, and none is left on the disk.
hypothesis.settings.register_profile(
    "benchd",
    deadline=None,
    database=None,
    max_examples=examples(50),
    suppress_health_check=[hypothesis.HealthCheck.too_slow],
)
hypothesis.settings.load_profile("benchd")


def pytest_ignore_collect(collection_path: Path, config: pytest.Config) -> bool | None:
    """Leave the benchmarks unread where the marker rules them out: each worker would import what they compare with."""
    is_left_out = "not speed" in config.option.markexpr and not any("benchmarks" in arg for arg in config.args)
    return True if is_left_out and collection_path == Path(__file__).parent / "benchmarks" else None


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


@pytest.fixture(autouse=True)
def nothing_left_unclosed() -> Iterator[None]:
    """Under BENCHD_COLLECT an unclosed socket or file fails the very test that left it, not a later one."""
    yield
    if os.environ.get(COLLECT):
        gc.collect()


@pytest.fixture(scope="module", autouse=True)
def nothing_left_running() -> Iterator[None]:
    """A file's tests end what they began: no process and no thread outlives the file."""
    before = set(threading.enumerate())
    yield
    give_up_s = time.monotonic() + 10.0
    while left := _left_running(before):
        assert time.monotonic() < give_up_s, f"left running: {', '.join(left)}"
        time.sleep(0.05)


def _left_running(before: set[threading.Thread]) -> list[str]:
    left = [t.name for t in threading.enumerate() if t not in before and not t.daemon and "ThreadPool" not in t.name]
    with contextlib.suppress(psutil.NoSuchProcess):
        for child in psutil.Process().children(recursive=True):
            with contextlib.suppress(psutil.NoSuchProcess):
                command = " ".join(child.cmdline())
                if child.status() != psutil.STATUS_ZOMBIE and not _stays(child, command):
                    left.append(command)
    return left


def _stays(child: psutil.Process, command: str) -> bool:
    """Whether a process serves the files to come: what hands out resources, and what forks daemons, not these."""
    return "resource_tracker" in command or ("fork_server.py" in command and child.ppid() == os.getpid())


_STATUS = pytest.StashKey[int]()


def pytest_configure() -> None:
    """Make the run's folder before its workers begin: they inherit its name."""
    shared()


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


DAY_WITHIN_S = 600.0


def pytest_collection_modifyitems(items: list[pytest.Item]) -> None:
    """Whoever reads the invented day may have to build it, or wait for who does: minutes on a busy machine."""
    for item in items:
        if "cast_day" in getattr(item, "fixturenames", ()):
            item.add_marker(pytest.mark.timeout(DAY_WITHIN_S))


@pytest.fixture(scope="session")
def cast_day() -> tuple[Path, list[Effect]]:
    """One journal of the invented day and all that was said in it, for all that read it, whatever their process."""

    def build(folder: Path) -> None:
        from reports.cast_day import write_day

        (folder / "effects.pickle").write_bytes(pickle.dumps(write_day(folder / "journal.db")))

    folder = built_once("cast-day", build)
    return folder / "journal.db", pickle.loads((folder / "effects.pickle").read_bytes())


@pytest.fixture(scope="session")
def day_journal(cast_day: tuple[Path, list[Effect]]) -> Path:
    """One journal of the invented day; to be read only."""
    return cast_day[0]
