"""Splits a stream of bytes, which may be broken anywhere, into lines.

Bounded memory: what grows past the limit is dropped up to the next LF and counted, and framing goes on from there.
"""

from __future__ import annotations

from collections import deque

from benchd.core.intake.wire import LIMIT_BYTES

COMMENTS_KEPT = 20


class LineFramer:
    """Cuts a byte stream into lines of at most `limit` bytes (LF and one CR before it not counted).

    `comments` keeps the last lines that began with `#` (a board's boot banner and reset cause), `commented` counts
    them; `too_long` counts what was dropped for its length.  Empty lines are nothing.
    """

    def __init__(self, limit: int = LIMIT_BYTES) -> None:
        self.limit = limit
        self.too_long = self.commented = 0
        self.comments: deque[bytes] = deque(maxlen=COMMENTS_KEPT)
        self._rest = b""
        self._skipping = False

    def feed(self, data: bytes) -> list[bytes]:
        """The whole lines that `data` completes, in order."""
        if self._skipping:
            _, lf, data = data.partition(b"\n")
            if not lf:
                return []
            self._skipping = False
        *whole, rest = (self._rest + data).split(b"\n")
        if len(rest) > self.limit + 1:  # one more may be a CR
            self.too_long += 1
            self._skipping = True
            rest = b""
        self._rest = rest
        return [line for raw in whole if (line := self._kept(raw))]

    def _kept(self, raw: bytes) -> bytes:
        """The line without its CR; b"" for what is no line."""
        line = raw[:-1] if raw.endswith(b"\r") else raw
        if len(line) > self.limit:
            self.too_long += 1
            return b""
        if line.startswith(b"#"):
            self.comments.append(line)
            self.commented += 1
            return b""
        return line
