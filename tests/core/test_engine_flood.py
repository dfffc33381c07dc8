"""Does the watch go on when thousands of readings are proved good at once, as after a flood of lines?"""

from __future__ import annotations

from pathlib import Path

import pytest

from benchd.core.engine import MOST_EVENTS, Engine
from benchd.core.intake.intake import Intake
from benchd.core.intake.wire import encode
from benchd.core.model import Line, Reading
from benchd.plugins import load_settings, watcher_plan

T0 = 1_767_600_000.0


def test_thousands_of_readings_from_one_line_are_no_loop_among_watchers(monkeypatch: pytest.MonkeyPatch) -> None:
    engine = Engine(watcher_plan)
    engine.step(load_settings(Path(__file__).parents[2] / "config" / "bench.toml").context(T0))
    one = Reading(T0 + 1.0, "room-temperature", "room_temperature", "", 21.5, 21.5)
    monkeypatch.setattr(Intake, "_judged", lambda intake, reading: [one] * (MOST_EVENTS + 500))
    line = encode([("room", 21.5, None, "Cel")], board="b1-", seq=1).decode().strip()
    effects = engine.step(Line(T0 + 1.0, "board", line))
    assert sum(isinstance(effect, Reading) for effect in effects) >= MOST_EVENTS + 500
