"""Does the demo say the same on the slowest computer: stopped half of the time, or with every core busy?"""

from __future__ import annotations

import os
import re
import signal
import subprocess
import sys
import time
from collections.abc import Callable

import pytest

KICK_S = 182  # simulated: 3:02
WORDS = [
    "Past floor. Keep the air on.", "At forty-one. Shut it when it's steady.",
    "Kick. Pressure was forty seconds ahead.",
    "Load one hold done. Mask on, vent slowly.", "Gauge near zero. Check dial, bleed and hiss.",
]  # fmt: skip
"""Those that the caster needs, in order."""


def stopped_half_of_the_time(demo: subprocess.Popen[str]) -> None:
    """Half a second stopped, half a second running, until it ends."""
    while demo.poll() is None:
        time.sleep(0.5)
        if demo.poll() is None:
            os.kill(demo.pid, signal.SIGSTOP)
            time.sleep(0.5)
            os.kill(demo.pid, signal.SIGCONT)


def beside_busy_loops(demo: subprocess.Popen[str]) -> None:
    """One endless loop a core until it ends."""
    loops = [subprocess.Popen([sys.executable, "-c", "while True: pass"]) for _ in range(os.cpu_count() or 1)]
    try:
        demo.wait(100)
    finally:
        for loop in loops:
            loop.kill()
            loop.wait()


@pytest.mark.timeout(180)
@pytest.mark.wide
@pytest.mark.parametrize("slowed", [stopped_half_of_the_time, beside_busy_loops])
def test_one_load_has_its_words_and_its_kick(
    slowed: Callable[[subprocess.Popen[str]], None], tmp_path_factory: pytest.TempPathFactory
) -> None:
    """At two hundred times life, half a real second is a hundred of the bench's."""
    out = tmp_path_factory.mktemp("demo") / "out.txt"
    command = [sys.executable, "-m", "benchd", "demo", "--load", "1", "--speed", "200"]
    with out.open("w") as file, subprocess.Popen(command, stdout=file, text=True) as demo:
        try:
            slowed(demo)
            assert demo.wait(100) == 0
        finally:
            demo.kill()
    shown = out.read_text()
    words = re.findall(r'"([A-Z][^"]*)"$', shown, re.M)
    assert [word for word in words if word in WORDS] == WORDS
    kick = re.search(r"kick +(\d):(\d\d) \(simulated: 3:02\)", shown)
    assert kick is not None
    assert abs(60 * int(kick[1]) + int(kick[2]) - KICK_S) <= 12
    for never in ("board gone", "silent", "restarted", "too fast", "leaking"):
        assert never not in shown
