"""Does a recording played as a source say the same lines, as far apart as they were?"""

from __future__ import annotations

import asyncio
import time
from pathlib import Path
from typing import Any

import pytest
from pydantic import ValidationError

from benchd.core.format.record import heading, to_json
from benchd.core.model import Context, Gap, Input, Line, Mark, RawLine, Status
from benchd.core.model.learned import Learned
from benchd.errors import SourceError
from benchd.runtime.clock import BenchClock
from benchd.sources.recording import Recording, Settings, make

T = 1767607331.0
SAID: list[Input] = [
    Context(T, {"id": "north"}, {}, {}, Learned(), (), "0.1.0", "abc"),
    Line(T, "board", "one"),
    Mark(t=T + 1.0, verb="mix", id="seen-then", cup="cup-1"),
    Status(T + 2.0, "board", True, "re-anchored: up fell"),
    Gap(T + 3.0, T + 2.5, "stopped"),
    RawLine(T + 4.5, "other", "//8="),
    Line(T + 6.0, "board", "last", topic="bench/air"),
]


class Shelf:
    def __init__(self) -> None:
        self.items: list[Input] = []

    def put(self, item: Input) -> None:
        self.items.append(item)


class StoppedClock(BenchClock):
    """Bench time that moves only when slept through: sleeping is the test's own."""

    def __init__(self) -> None:
        super().__init__(anchor_s=5000.0)
        self.t = 5000.0

    def now(self) -> float:
        return self.t


def recorded(path: Path, items: list[Input]) -> Path:
    path.write_text("\n".join([heading("north"), *map(to_json, items)]) + "\n", encoding="utf-8")
    return path


async def played(source: Recording) -> list[Input]:
    inbox = Shelf()
    await asyncio.wait_for(source.run(inbox), 20.0)
    return inbox.items


async def test_inputs_come_as_far_apart_as_they_were(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """From now on, renamed to this source, contexts and gaps left out, up at first and down at the end."""
    clock = StoppedClock()
    naps: list[float] = []

    async def nap(seconds: float) -> None:
        naps.append(seconds)
        clock.t += seconds

    monkeypatch.setattr(asyncio, "sleep", nap)
    path = str(recorded(tmp_path / "load.jsonl", SAID))
    items = await played(make(Settings(path=path), "tape", clock))
    assert items == [
        Status(5000.0, "tape", True, path),
        Line(5000.0, "tape", "one"),
        Mark(t=5001.0, verb="mix", id="tape-5000.000-1", cup="cup-1"),
        Status(5002.0, "tape", True, "re-anchored: up fell"),
        RawLine(5004.5, "tape", "//8="),
        Line(5006.0, "tape", "last", topic="bench/air"),
        Status(5006.0, "tape", False, "the recording has ended"),
    ]
    assert [n for n in naps if n] == [1.0, 1.0, 2.5, 1.5]


@pytest.mark.parametrize(("rate", "speed"), [(20.0, 1.0), (1.0, 20.0), (4.0, 5.0)])
async def test_bench_time_and_speed_both_hurry_it(tmp_path: Path, rate: float, speed: float) -> None:
    """6 recorded seconds at 20 times life take 0.3 real seconds; bench time runs by `rate`, the rest is `speed`."""
    clock = BenchClock(rate=rate, anchor_s=5000.0)
    start_s = time.monotonic()
    items = await played(make(Settings(path=str(recorded(tmp_path / "x", SAID)), speed=speed), "tape", clock))
    took_s = time.monotonic() - start_s
    assert took_s >= 0.29
    lines = [i for i in items if isinstance(i, Line)]
    assert lines[-1].t - lines[0].t == pytest.approx(6.0 / speed)
    assert clock.now() >= lines[-1].t


async def test_bad_lines_are_counted_and_said(tmp_path: Path) -> None:
    """Damage inside costs only its lines."""
    path = recorded(tmp_path / "x", [Line(T, "b", "one")])
    path.write_bytes(path.read_bytes() + b"garbage\n\xff\xfe\n" + to_json(Line(T, "b", "two")).encode() + b"\n")
    source = make(Settings(path=str(path)), "tape", BenchClock())
    items = await played(source)
    assert [i.line for i in items if isinstance(i, Line)] == ["one", "two"]
    assert source.counts.bad == 2
    assert isinstance(items[-1], Status)
    assert items[-1].why == "the recording has ended, 2 bad lines left out"


@pytest.mark.parametrize("content", [None, b"", b"not a recording\n", b'{"recording":9,"bench":"n"}\n', b"\xff\n"])
async def test_what_cannot_be_read_is_a_source_error(tmp_path: Path, content: bytes | None) -> None:
    """No file, no heading, a newer version: told as down, and raised."""
    path, inbox = tmp_path / "x", Shelf()
    if content is not None:
        path.write_bytes(content)
    with pytest.raises(SourceError, match=str(path)):
        await make(Settings(path=str(path)), "tape", BenchClock()).run(inbox)
    assert [i.up for i in inbox.items if isinstance(i, Status)] == [False]


async def test_a_long_recording_lets_others_run(tmp_path: Path) -> None:
    """Thousands of inputs due at once don't hold the event loop."""
    path = recorded(tmp_path / "x", [Line(T, "b", str(n)) for n in range(5000)])
    turns = 0

    async def other() -> None:
        nonlocal turns
        while True:
            turns += 1
            await asyncio.sleep(0)

    task = asyncio.ensure_future(other())
    items = await played(make(Settings(path=str(path)), "tape", BenchClock()))
    task.cancel()
    assert len(items) == 5002
    assert turns >= 40


@pytest.mark.parametrize("wrong", [{"path": ""}, {"speed": 0}, {"speed": -1}, {"speed": "nan"}, {"colour": "red"}])
def test_settings_refuse_nonsense(wrong: dict[str, Any]) -> None:
    """No empty path, no standing or running back, no unknown key."""
    with pytest.raises(ValidationError):
        Settings(**({"path": "x"} | wrong))
