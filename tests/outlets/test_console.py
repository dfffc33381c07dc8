"""Does the console print what is told, plainly, and never hold up the watch?"""

from __future__ import annotations

import asyncio
import contextlib
import errno
import io
import os
import threading
from dataclasses import replace
from pathlib import Path
from typing import TextIO

import pytest
from outlet_tools import Bench, leak, word
from phone import until

from benchd.errors import OutletError
from benchd.outlets.console import LINES_MOST, ConsoleOutlet, Settings, is_colored, make
from benchd.plugins import load_settings

CONFIG = Path(__file__).parents[2] / "config" / "bench.toml"


class Terminal(io.StringIO):
    """A stream that says it is a terminal."""

    def isatty(self) -> bool:
        return True


async def test_words_and_alerts_come_out_in_order() -> None:
    """What was told is what stands there, one line each, the pot by its name; the stop flushes what waits."""
    bench, stream = Bench(), io.StringIO()
    bench.config = replace(bench.config, pots=load_settings(CONFIG).bench.pots)
    outlet = ConsoleOutlet(Settings(timezone="UTC"), bench.tools, stream)
    task = asyncio.create_task(outlet.run())
    await asyncio.sleep(0.01)
    bench.tell(word(1000.0), leak(1001.0))
    await asyncio.sleep(0.01)
    task.cancel()
    with contextlib.suppress(asyncio.CancelledError):
        await task
    assert stream.getvalue().splitlines() == [
        '00:16:40           "Lid now."',
        "00:16:41        *  pot-leaking Barrel on: Leaking.",
    ]


async def test_standard_output_is_the_default(capsys: pytest.CaptureFixture[str]) -> None:
    """Made from settings alone it writes where the daemon does."""
    bench = Bench()
    task = asyncio.create_task(make(Settings(timezone="UTC"), bench.tools).run())
    await asyncio.sleep(0.01)
    bench.tell(word(1000.0))
    out = ""
    for _ in range(100):
        await asyncio.sleep(0.01)
        out += capsys.readouterr().out
        if out:
            break
    task.cancel()
    with contextlib.suppress(asyncio.CancelledError):
        await task
    assert out == '00:16:40           "Lid now."\n'


class Gone(io.StringIO):
    """A pipe whose reader has gone."""

    def write(self, text: str) -> int:
        raise BrokenPipeError(errno.EPIPE, "Broken pipe")


async def test_a_closed_stream_is_an_outlet_error() -> None:
    """Nobody reads any more: the outlet says so and leaves it to its supervisor."""
    bench = Bench()
    task = asyncio.create_task(ConsoleOutlet(Settings(), bench.tools, Gone()).run())
    for _ in range(100):
        bench.tell(word(1000.0))
        if (await asyncio.wait([task], timeout=0.02))[0]:
            break
    with pytest.raises(OutletError, match="Broken pipe"):
        await task


def full_pipe() -> tuple[int, TextIO]:
    """A pipe with a writer and nobody who reads."""
    read, write = os.pipe()
    return read, open(write, "w", buffering=1)


async def test_a_reader_that_does_not_read_holds_up_nothing() -> None:
    """A pager stands still: only the writer's thread waits; lines beyond the queue are counted; the stop is quick."""
    bench = Bench()
    read, stream = full_pipe()
    task = asyncio.create_task(ConsoleOutlet(Settings(), bench.tools, stream).run())
    await asyncio.sleep(0.01)
    for _ in range(60):
        bench.tell(*[word(1000.0, "x" * 60) for _ in range(100)])
        await asyncio.sleep(0.002)  # a write that waited for the reader would never come back
    assert 0 < bench.tools.health.dropped["console"] < 6000 - LINES_MOST
    task.cancel()
    assert (await asyncio.wait([task], timeout=3))[0]
    os.close(read)
    await until(lambda: "console" not in [thread.name for thread in threading.enumerate()])
    with contextlib.suppress(BrokenPipeError):
        stream.close()


@pytest.mark.parametrize(
    ("choice", "stream", "no_color", "term", "colored"),
    [
        ("auto", Terminal(), None, "xterm", True),
        ("auto", Terminal(), "1", "xterm", False),
        ("auto", Terminal(), "", "xterm", True),
        ("auto", Terminal(), None, "dumb", False),
        ("auto", io.StringIO(), None, "xterm", False),
        ("always", io.StringIO(), "1", "xterm", True),
        ("never", Terminal(), None, "xterm", False),
    ],
)
def test_colour_follows_the_terminal_and_no_color(
    choice: str, stream: io.StringIO, no_color: str | None, term: str, colored: bool, monkeypatch: pytest.MonkeyPatch
) -> None:
    """no-color.org: present and not empty means none; a flag of the user's own wins."""
    monkeypatch.setenv("TERM", term)
    monkeypatch.delenv("NO_COLOR", raising=False)
    if no_color is not None:
        monkeypatch.setenv("NO_COLOR", no_color)
    assert is_colored(choice, stream) is colored


def test_an_unknown_time_zone_is_a_settings_error() -> None:
    """Said where it was written, with an example."""
    with pytest.raises(ValueError, match="Europe/Paris"):
        Settings(timezone="Europe/Pariss")
