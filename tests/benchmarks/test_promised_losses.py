"""Is a loss noticed, and what was lost back, within the seconds promised?  Bounds: of the requirements.

The same doings are tried without a clock in the ordinary tests; here a machine with nothing else to do is asked for.
"""

from __future__ import annotations

import asyncio
import contextlib
import itertools
import signal
import time
from pathlib import Path

import pytest
from daemon import Port
from firmware.board_runs import needs_micropython
from firmware.test_micropython_wifi import board, console, listening
from mosquitto import Mosquitto, needs_mosquitto
from mosquitto import running as broker_running
from outlet_tools import Bench, leak
from phone import until
from phone_page import Board, PageDaemon, chromium, word
from phone_page import until as until_shown
from sources.serial_board import Shelf, a_line, source_at

from benchd.errors import SourceError
from benchd.outlets.mqtt import Settings, make


def test_the_page_says_blind_within_eight_seconds_of_the_daemons_end(tmp_path: Path) -> None:
    daemon = PageDaemon(tmp_path, is_forked=False)
    with daemon.started(), chromium() as phone, Board(daemon):
        page = phone.new_page()
        page.goto(daemon.url)
        until_shown(page, lambda: page.inner_text("#phase") == "Between pours", 30.0)
        assert not word(page).startswith("Blind.")
        daemon.kill()
        assert until_shown(page, lambda: word(page).startswith("Blind."), 30.0) <= 8.0


@needs_micropython
@needs_mosquitto
async def test_a_wifi_board_gives_a_frozen_broker_up_within_ten_seconds(tmp_path: Path) -> None:
    """Its own clock at life's speed: a ping each 4 s, 5 s for its answer."""
    broker = Mosquitto(tmp_path).start()
    try:
        async with listening(broker.port) as bench:
            with board(tmp_path, broker.port, []):
                await until(lambda: len(bench.lines) >= 8)
                broker.send(signal.SIGSTOP)
                assert await until(lambda: "# broker:" in console(tmp_path)) <= 10.0
                broker.send(signal.SIGCONT)
    finally:
        broker.stop()


@needs_micropython
@needs_mosquitto
async def test_a_wifi_board_without_power_is_gone_within_two_seconds(tmp_path: Path) -> None:
    with broker_running(tmp_path) as broker:
        async with listening(broker.port) as bench:
            with board(tmp_path, broker.port, []):
                await until(lambda: len(bench.lines) >= 8)
            assert await until(lambda: not bench.is_up) <= 2.0


async def test_a_serial_board_plugged_in_again_is_read_within_two_seconds(tmp_path: Path) -> None:
    port, inbox = Port(tmp_path / "board"), Shelf()
    source = source_at(str(port.link))
    task = asyncio.create_task(source.run(inbox))
    await until(lambda: bool(inbox.statuses))  # open; what was sent before is not read
    port.write(a_line(1))
    await until(lambda: bool(inbox.lines))
    port.unplug()
    with pytest.raises(SourceError):
        await task
    task = asyncio.create_task(source.run(inbox))
    await asyncio.sleep(1.0)
    seen, numbers = len(inbox.lines), itertools.count(2)
    port.plug()
    since_s = time.monotonic()
    while len(inbox.lines) == seen and time.monotonic() - since_s < 30.0:
        port.write(a_line(next(numbers)))
        await asyncio.sleep(0.05)
    assert time.monotonic() - since_s <= 2.0
    task.cancel()
    with contextlib.suppress(asyncio.CancelledError):
        await task
    port.unplug()


@needs_mosquitto
@pytest.mark.parametrize("broker_is", ["well", "frozen"])
async def test_the_mqtt_outlet_stops_within_three_seconds(broker_is: str, tmp_path: Path) -> None:
    bench = Bench()
    with broker_running(tmp_path) as broker:
        outlet = make(Settings(port=broker.port), bench.tools)
        task = asyncio.create_task(outlet.run())
        await outlet.link.ready()
        if broker_is == "frozen":
            broker.send(signal.SIGSTOP)
        bench.tell(*(leak(1000.0 + number) for number in range(20)))
        await asyncio.sleep(0.2)
        since_s = time.monotonic()
        task.cancel()
        await asyncio.wait([task], timeout=30.0)
        assert task.done()
        assert time.monotonic() - since_s <= 3.0
        broker.send(signal.SIGCONT)
