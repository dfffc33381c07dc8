"""The invented studio's whole day in one engine: three recorded loads, one after the other, and every word said.

    python tests/recordings/day.py        writes day.words.txt anew: run it when a change is meant, and read the diff

The loads' first mixes stand at 09:40, 11:20 and 14:30 UTC.  Between them the board is unplugged: a status says so.
"""

from __future__ import annotations

import lzma
from collections.abc import Iterator
from dataclasses import replace
from datetime import UTC, datetime
from pathlib import Path

from benchd.core.engine import Engine
from benchd.core.findings import Effect
from benchd.core.format.record import read_recording
from benchd.core.model import Context, Input, Mark, Status, Utterance
from benchd.plugins import watcher_plan

HERE = Path(__file__).parent
WORDS = HERE / "day.words.txt"
MIDNIGHT_T = 1_767_571_200.0  # 2026-01-05 00:00 UTC
LOADS = (("load-1", 9, 40), ("load-2-crumb", 11, 20), ("load-3-damp", 14, 30))


def inputs() -> Iterator[Input]:
    """The day's inputs in order: one context, then each load moved to its hour."""
    for index, (name, hour, minute) in enumerate(LOADS):
        with lzma.open(HERE / f"{name}.jsonl.xz", "rt", encoding="utf-8") as lines:
            items = list(read_recording(lines))
        mix_t = next(item.t for item in items if isinstance(item, Mark) and item.verb == "mix")
        by_s = MIDNIGHT_T + hour * 3600.0 + minute * 60.0 - mix_t
        for item in items:
            if index == 0 or not isinstance(item, Context):
                yield replace(item, t=item.t + by_s)
        yield Status(items[-1].t + by_s + 1.0, "board", False, "unplugged")


def effects() -> list[Effect]:
    """All that follows from the day."""
    engine, found = Engine(watcher_plan), list[Effect]()
    for item in inputs():
        found += engine.step(item)
    return found


def words(found: list[Effect]) -> str:
    """Every utterance as one line: time of day, priority, code, words."""
    said = [effect for effect in found if isinstance(effect, Utterance)]
    return "".join(f"{datetime.fromtimestamp(u.t, UTC):%H:%M:%S} P{u.priority} {u.code}: {u.say}\n" for u in said)


if __name__ == "__main__":
    WORDS.write_text(words(effects()), "utf-8")
