"""Reads and writes origin.json: which bench.toml a state directory serves, and what was beside it at the take-over.

With it a command started by hand finds the state directory of a service, and a change to a file that is no longer read
is noticed.
"""

from __future__ import annotations

import hashlib
import json
import os
from collections.abc import Mapping
from dataclasses import dataclass
from pathlib import Path

from benchd.runtime.files.whole_file import put_whole

NAME = "origin.json"
SHELF, RESINS = "shelf.toml", "resins"
LARGEST_BYTES = 256 * 1024


@dataclass(frozen=True, slots=True)
class Origin:
    """bench: the bench.toml, links resolved.  seen: "shelf.toml" or "resins/NAME.toml" -> its SHA-256 then."""

    bench: str
    seen: Mapping[str, str]


def read_origin(folder: Path) -> Origin | None:
    """The record in a state directory; None if it is missing or damaged.  Raises PermissionError."""
    try:
        with open(os.open(folder / NAME, os.O_RDONLY | os.O_NOFOLLOW | os.O_NONBLOCK), "rb") as file:
            plain = json.loads(file.read(LARGEST_BYTES))
        bench, seen = plain["bench"], plain["seen"]
    except PermissionError:
        raise
    except (OSError, ValueError, KeyError, TypeError, RecursionError):
        return None
    is_sound = isinstance(bench, str) and isinstance(seen, dict) and all(isinstance(x, str) for x in seen.values())
    return Origin(bench, seen) if is_sound else None


def write_origin(folder: Path, origin: Origin) -> None:
    """Write the record, whole or not at all.  Raises OSError."""
    text = json.dumps({"v": 0, "bench": origin.bench, "seen": dict(sorted(origin.seen.items()))}, indent=1)
    put_whole(folder / NAME, text.encode())


def contents(folder: Path, names: tuple[str, ...] = (SHELF, RESINS)) -> dict[str, bytes]:
    """The shelf and the resins in a folder, by the names an `Origin` has for them.  Raises OSError."""
    found = [folder / SHELF] if SHELF in names and (folder / SHELF).is_file() else []
    found += sorted((folder / RESINS).glob("*.toml")) if RESINS in names else []
    return {path.relative_to(folder).as_posix(): path.read_bytes() for path in found if path.is_file()}


def sums(files: Mapping[str, bytes]) -> dict[str, str]:
    """Name -> SHA-256."""
    return {name: hashlib.sha256(content).hexdigest() for name, content in files.items()}
