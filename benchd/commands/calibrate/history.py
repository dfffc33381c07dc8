"""The history of calibration points, and which of them the running daemon uses.

One JSON object per line in calibrations.jsonl beside the journal; only ever appended to.
"""

from __future__ import annotations

import json
import os
from collections.abc import Sequence
from dataclasses import asdict, dataclass
from pathlib import Path

from benchd.commands.calibrate.points import CalibrationRefused
from benchd.runtime.files.whole_file import give_to_owner_of

APPENDED = os.O_WRONLY | os.O_APPEND | os.O_CREAT | os.O_NOFOLLOW
"""Never follow a link: in a service's state directory it could make root write anywhere."""


@dataclass(frozen=True, slots=True)
class Written:
    """A channel's calibration in bench.toml: the pairs as written, and the date; both empty for none."""

    calibration: tuple[tuple[str, str], ...] = ()
    calibrated: str | None = None


@dataclass(frozen=True, slots=True)
class Entry:
    """One change: when [unix s], which channel, from what to what, and by what (ice, boil, zero, a value, undo)."""

    t: float
    channel: str
    before: Written
    after: Written
    by: str
    file: str = ""
    """The sha256 of bench.toml after it."""
    undoes: float | None = None
    """The time of the change that this one undoes."""


def history_path(journal: Path) -> Path:
    """The path of a bench's history: in the state directory, beside its journal."""
    return journal.with_name("calibrations.jsonl")


def read_history(path: Path) -> list[Entry]:
    """Every change, oldest first; none when there is no file.  A truncated line is skipped."""
    try:
        lines = path.read_text("utf-8").splitlines()
    except FileNotFoundError:
        return []
    except (OSError, ValueError) as error:
        raise CalibrationRefused(f"{path}: cannot be read: {error}") from error
    return [entry for entry in map(_entry, lines) if entry is not None]


def _entry(line: str) -> Entry | None:
    try:
        plain = json.loads(line)
        return Entry(**{**plain, "before": _written(plain["before"]), "after": _written(plain["after"])})
    except (ValueError, TypeError, KeyError):
        return None


def _written(plain: dict[str, list[list[str]]]) -> Written:
    return Written(**{**plain, "calibration": tuple((r, t) for r, t in plain["calibration"])})  # type: ignore[arg-type]


def append(path: Path, entry: Entry) -> None:
    """Append a change and sync.  Raises CalibrationRefused when it cannot be written: it could then not be undone."""
    try:
        path.parent.mkdir(parents=True, exist_ok=True)
        with open(os.open(path, APPENDED, 0o666), "a", encoding="utf-8") as file:
            give_to_owner_of(path.parent, file.fileno())
            file.write(json.dumps(asdict(entry)) + "\n")
            file.flush()
            os.fsync(file.fileno())
    except OSError as error:
        raise CalibrationRefused(f"{path}: cannot be written, so nothing is changed: {error.strerror}") from error


def to_undo(history: Sequence[Entry], channel: str) -> Entry | None:
    """The newest change of a channel that has not been undone."""
    undone = {entry.undoes for entry in history if entry.channel == channel}
    mine = [e for e in history if e.channel == channel and e.undoes is None and e.t not in undone]
    return mine[-1] if mine else None


def in_use(history: Sequence[Entry], channel: str, now: Written, started_t: float, is_ours: bool) -> Written | None:
    """The calibration used by a daemon that started at started_t; None when it cannot be known.

    `is_ours`: bench.toml has had no changes since then except those in the history.
    """
    if not is_ours:
        return None
    later = [entry for entry in history if entry.channel == channel and entry.t > started_t]
    return later[0].before if later else now
