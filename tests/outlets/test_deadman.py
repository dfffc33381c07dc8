"""Is the outside monitor pinged while the watch lives, and only then?  A loopback monitor."""

from __future__ import annotations

import contextlib
import logging
import time
from collections.abc import AsyncIterator, Iterator
from pathlib import Path
from typing import Literal

import pytest
from mosquitto import free_port
from outlet_tools import Bench, run
from outlets.test_push import Service
from phone import until

from benchd.errors import OutletError
from benchd.outlets.deadman import DeadmanOutlet, Settings, make, ping, read_url
from benchd.runtime.health import PARTS


@pytest.fixture
def monitor() -> Iterator[Service]:
    made = Service()
    yield made
    made.close()


def url_file(folder: Path, url: str) -> Path:
    path = folder / "deadman.url"
    path.write_text(url + "\n")
    path.chmod(0o600)
    return path


def move(bench: Bench, at_s: float) -> None:
    bench.tools.health.moved.update(dict.fromkeys(PARTS, at_s))


@contextlib.asynccontextmanager
async def running(bench: Bench, path: Path, method: Literal["GET", "POST"] = "GET") -> AsyncIterator[DeadmanOutlet]:
    async with run(make(Settings(url_file=path, method=method, every_s=0.1), bench.tools)) as outlet:
        yield outlet


@pytest.mark.parametrize("method", ["GET", "POST"])
async def test_pings_come_while_the_watch_lives_and_stop_with_it(
    tmp_path: Path, monitor: Service, method: Literal["GET", "POST"]
) -> None:
    bench = Bench()
    move(bench, time.monotonic() + 3600.0)
    async with running(bench, url_file(tmp_path, f"http://127.0.0.1:{monitor.port}/secret-77"), method) as outlet:
        await until(lambda: len(monitor.got) >= 3)
        assert bench.tools.health.delivered["deadman"] == pytest.approx(bench.tools.clock.now(), abs=5.0)
        bench.tools.health.moved["engine"] = time.monotonic() - 60.0  # the engine stands still
        await until(lambda: outlet.asleep >= 1)
        before = len(monitor.got)
        await until(lambda: outlet.asleep >= 4)
        assert len(monitor.got) == before
        move(bench, time.monotonic() + 3600.0)
        await until(lambda: len(monitor.got) > before)


async def test_a_watch_that_never_moved_is_not_alive(tmp_path: Path, monitor: Service) -> None:
    bench = Bench()
    async with running(bench, url_file(tmp_path, f"http://127.0.0.1:{monitor.port}/x")) as outlet:
        await until(lambda: outlet.asleep >= 3)
    assert monitor.got == []


async def test_a_monitor_that_fails_is_told_of_once_without_its_address(
    tmp_path: Path, monitor: Service, caplog: pytest.LogCaptureFixture
) -> None:
    bench = Bench()
    monitor.status = 503
    move(bench, time.monotonic() + 3600.0)
    with caplog.at_level(logging.DEBUG, logger="benchd"):
        async with running(bench, url_file(tmp_path, f"http://127.0.0.1:{monitor.port}/secret-77")):
            await until(lambda: len(monitor.got) >= 3)
            assert "deadman" not in bench.tools.health.delivered
            monitor.status = 200
            await until(lambda: "deadman" in bench.tools.health.delivered)
    assert [r.getMessage() for r in caplog.records if "deadman" in r.name] == ["deadman: the monitor answers 503"]
    assert "secret-77" not in caplog.text + bench.tools.health.last_error


def test_a_monitor_that_is_not_there_is_named_by_its_kind_of_failure() -> None:
    assert ping(f"http://127.0.0.1:{free_port()}/secret-77", "GET") == (
        "the monitor cannot be reached (ConnectionRefusedError)"
    )


@pytest.mark.parametrize("text", ["", "file:///etc/passwd", "ftp://secret-77", "http://a b"])
def test_what_is_no_address_is_refused_unseen(tmp_path: Path, text: str) -> None:
    with pytest.raises(OutletError, match="is not an http") as caught:
        read_url(url_file(tmp_path, text))
    assert "secret-77" not in str(caught.value)


def test_a_file_others_may_read_is_refused(tmp_path: Path) -> None:
    path = url_file(tmp_path, "http://127.0.0.1/x")
    path.chmod(0o640)
    with pytest.raises(OutletError, match="chmod 600"):
        read_url(path)
