"""A rehearsal as a recording: JSON lines as fast as it runs; head and context are the caller's."""

from __future__ import annotations

import json
from collections.abc import Iterator
from typing import Any

from benchd.rehearsal import Rehearsal, Scenario, line_record


def recording_lines(scenario: Scenario, start_t: float, source: str = "board", seed: int = 0) -> Iterator[str]:
    """Every line the board got across and every typed mark, as recording lines without LF.

    start_t: unix s of the start.  A port that disappears or returns is a status record.  Bytes that are not UTF-8 are
    kept as raw_b64.
    """
    is_plugged = True
    yield _text({"t": start_t, "status": {"source": source, "up": True, "why": "rehearsal"}})
    for frame in Rehearsal(scenario, seed).frames():
        t = round(start_t + frame.t_s, 3)
        if frame.is_plugged != is_plugged:
            is_plugged = frame.is_plugged
            yield _text(
                {"t": t, "status": {"source": source, "up": is_plugged, "why": "" if is_plugged else "unplugged"}}
            )
        for mark in frame.marks:
            keys = {k: v for k, v in mark.items() if k != "t_s"}
            yield _text({"t": min(t, round(start_t + float(mark["t_s"]), 3)), "mark": keys})
        for line in frame.lines:
            yield _text({"t": t} | line_record(source, line))


def _text(record: dict[str, Any]) -> str:
    return json.dumps(record, ensure_ascii=False, separators=(",", ":"), allow_nan=False)
