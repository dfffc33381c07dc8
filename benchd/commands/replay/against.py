"""`replay --against`: reads an earlier run's output and prints where this version's differs."""

from __future__ import annotations

import asyncio
import json
from collections.abc import Sequence
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

from benchd.commands.replay.apart import KINDS, Difference, Printed, differences, name_of
from benchd.errors import JournalError, RecordingError
from benchd.runtime.journal.asked import to_read
from benchd.runtime.journal.reader import Logbook
from benchd.runtime.printing.terminal import say

SQLITE_MAGIC = b"SQLite format 3\0"
SHOWN_AT_MOST = 200
LEFT_OUT = ("t", "subject", "finding", "alert", "say", "code", "active")
ABOUT_THE_RUN = ("bench_notice",)  # restarts, subscribers, the disk: about the run, not the bench


def told_before(path: Path, first_t: float, last_t: float) -> list[dict[str, Any]]:
    """The effects published from first_t to last_t in a journal, or all effects in a file of replay's lines.

    Raises RecordingError when it is neither, JournalError when the journal cannot be read.
    """
    try:
        with open(path, "rb") as file:
            is_journal = file.read(len(SQLITE_MAGIC)) == SQLITE_MAGIC
        if is_journal:
            return asyncio.run(_of_journal(path, first_t, last_t))
        return [_printed(path, n, line) for n, line in enumerate(path.read_text("utf-8").splitlines(), 1) if line]
    except (OSError, UnicodeDecodeError) as error:
        raise RecordingError(f"{path}: {getattr(error, 'strerror', None) or error}") from error


async def _of_journal(path: Path, first_t: float, last_t: float) -> list[dict[str, Any]]:
    async with to_read(path) as journal:
        try:
            told = Logbook(journal).effects(since_t=first_t, until_t=last_t)
            return [effect.body async for effect in told if any(kind in effect.body for kind in KINDS)]
        except JournalError as error:
            raise JournalError(f"{path}: {error}") from error


def _printed(path: Path, number: int, line: str) -> dict[str, Any]:
    try:
        told = json.loads(line)
    except ValueError:
        told = None
    if not isinstance(told, dict) or not any(kind in told for kind in KINDS):
        hint = "give a journal, or what `benchd replay` printed"
        raise RecordingError(f"{path}: line {number} is no finding, alert or utterance; {hint}")
    return told


def show(before: Sequence[Printed], now: Sequence[Printed]) -> int:
    """Print every difference and a count; 1 if there is any, else 0."""
    before, now = ([x for x in side if x.get("finding") not in ABOUT_THE_RUN] for side in (before, now))
    found = differences(before, now)
    for difference in found[:SHOWN_AT_MOST]:
        say(line_of(difference))
    if len(found) > SHOWN_AT_MOST:
        say(f"... and {len(found) - SHOWN_AT_MOST} more")
    gone, new = (sum(1 for d in found if getattr(d, side) is None) for side in ("now", "before"))
    changed = len(found) - gone - new
    say(f"{len(now) - new - changed} the same, {changed} otherwise, {gone} no longer said, {new} new")
    return 1 if found else 0


def line_of(difference: Difference) -> str:
    """`-` no longer present, `+` new, `~` changed: time of day (UTC), name, subject, and the keys that matter."""
    told = difference.now or difference.before or {}
    at = datetime.fromtimestamp(difference.t, UTC).strftime("%H:%M:%S")
    kind = next(k for k in KINDS if k in told)
    head = f"{at} {'words' if kind == 'say' else kind} {name_of(told)}{_state(told)}{_of_whom(told)}"
    if difference.before is not None and difference.now is not None:
        old, new = difference.before, difference.now
        return f"~ {head}: " + ", ".join(f"{k} {_short(old[k])} -> {_short(new[k])}" for k in difference.changed)
    said = f' "{told["say"]}"' if kind == "say" else _keys(told)
    return f"{'-' if difference.now is None else '+'} {head}{said}"


def _state(told: Printed) -> str:
    return "" if "active" not in told else (" on" if told["active"] else " over")


def _of_whom(told: Printed) -> str:
    subject = told.get("subject", {})
    ids = [str(subject[k]) for k in ("pot", "cup", "mold", "channel") if k in subject]
    return f" ({', '.join(ids)})" if ids else ""


def _keys(told: Printed) -> str:
    subject = told.get("subject", {})
    rest = [f"{k} {_short(v)}" for k, v in told.items() if k not in LEFT_OUT and k not in subject and v is not None]
    return f": {', '.join(rest[:6])}" if rest else ""


def _short(value: Any) -> str:
    if isinstance(value, float) and value > 1e8:
        return datetime.fromtimestamp(value, UTC).strftime("%H:%M:%S.%f")[:-5]
    return json.dumps(value, ensure_ascii=False, separators=(",", ":"))
