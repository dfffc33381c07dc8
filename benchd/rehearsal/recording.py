"""How a line off the wire stands in a recording."""

from __future__ import annotations

import base64
from typing import Any


def line_record(source: str, line: bytes) -> dict[str, Any]:
    """The source and line (or raw_b64) keys of one line off the wire, its line end taken away."""
    bare = line.removesuffix(b"\n").removesuffix(b"\r")
    try:
        return {"source": source, "line": bare.decode("utf-8")}
    except UnicodeDecodeError:
        return {"source": source, "raw_b64": base64.b64encode(bare).decode("ascii")}
