"""Does a request to somebody who does not answer hold up nothing, not even the end of the program?"""

from __future__ import annotations

import asyncio
import subprocess
import sys
import threading

import pytest

from benchd.runtime.http.aside import aside

HANGS = """
import asyncio, time
from benchd.runtime.http.aside import aside

async def main():
    task = asyncio.create_task(aside(time.sleep, 60.0))
    await asyncio.sleep(0.05)
    task.cancel()

asyncio.run(main())
"""


async def test_what_the_function_returns_or_raises_arrives() -> None:
    assert await aside(threading.current_thread) is not threading.current_thread()
    with pytest.raises(ValueError, match="invalid literal"):
        await aside(int, "no number")


async def test_who_stops_waiting_is_not_told_the_answer() -> None:
    asked = threading.Event()
    task = asyncio.create_task(aside(asked.wait))
    await asyncio.sleep(0.01)
    task.cancel()
    with pytest.raises(asyncio.CancelledError):
        await task
    asked.set()
    await asyncio.sleep(0.01)


def test_the_end_of_the_program_does_not_wait_for_it() -> None:
    assert subprocess.run([sys.executable, "-c", HANGS], timeout=50).returncode == 0
