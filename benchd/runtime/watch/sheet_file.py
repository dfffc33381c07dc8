"""Stores the run sheet between starts in sheet.json beside the journal, never half written."""

from __future__ import annotations

import json
from pathlib import Path

from benchd.runtime.files.beside import RUN_SHEET
from benchd.runtime.files.whole_file import put_whole
from benchd.shelf.plan.sheet import Sheet, sheet_body, sheet_from_body

LARGEST_BYTES = 256 * 1024


def read_sheet(folder: Path) -> Sheet | None:
    """The sheet kept in this folder; None when there is none or it cannot be read."""
    path = folder / RUN_SHEET
    try:
        if path.stat().st_size > LARGEST_BYTES:
            return None
        return sheet_from_body(json.loads(path.read_bytes()))
    except (OSError, ValueError, RecursionError):
        return None


def write_sheet(folder: Path, sheet: Sheet | None) -> None:
    """Store this sheet, or none.  Raises OSError; the one before is then unchanged."""
    path = folder / RUN_SHEET
    if sheet is None:
        path.unlink(missing_ok=True)
        return
    put_whole(path, json.dumps(sheet_body(sheet), ensure_ascii=False, allow_nan=False).encode())
