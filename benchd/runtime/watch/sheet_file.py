"""Stores the run sheet between starts in sheet.json beside the journal, never half written."""

from __future__ import annotations

import json
from pathlib import Path
from typing import Any

from benchd.runtime.files.whole_file import put_whole

NAME = "sheet.json"
LARGEST_BYTES = 256 * 1024


def read_sheet(folder: Path) -> dict[str, Any] | None:
    """The sheet kept in this folder; None when there is none or it cannot be read."""
    path = folder / NAME
    try:
        if path.stat().st_size > LARGEST_BYTES:
            return None
        plain = json.loads(path.read_bytes())
    except (OSError, ValueError, RecursionError):
        return None
    is_sheet = isinstance(plain, dict) and isinstance(plain.get("loads"), list) and isinstance(plain.get("id"), str)
    return plain if is_sheet else None


def write_sheet(folder: Path, sheet: dict[str, Any] | None) -> None:
    """Store this sheet, or none.  Raises OSError; the one before is then unchanged."""
    path = folder / NAME
    if sheet is None:
        path.unlink(missing_ok=True)
        return
    put_whole(path, json.dumps(sheet, ensure_ascii=False, allow_nan=False).encode())
