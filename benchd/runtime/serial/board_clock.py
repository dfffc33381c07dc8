"""When was a board's line made, by the board's own clock?

t = anchor + (up - up0), where a board's `up` runs as fast as the bench's time.  The anchor is the arrival of the first
line, and is set anew when the board was reset or when its clock and the arrivals have drifted apart.
"""

from __future__ import annotations

from benchd.core.intake.wire import SeqCounter, decode
from benchd.errors import DecodeError

DRIFT_S = 2.0  # real seconds between a line's own time and its arrival before the anchor is set anew; common practice


class BoardClock:
    """The bench time of each line of one board; `rate` is the bench clock's (bench seconds a real second)."""

    def __init__(self, checked: bool, rate: float = 1.0) -> None:
        self._checked = checked
        self._drift_s = DRIFT_S * rate
        self._seq = SeqCounter()
        self._anchor_s: float | None = None
        self._up0_s = 0.0
        self._lag_s = 0.0

    def time_of(self, line: str, now: float) -> tuple[float, str]:
        """(t of this line [bench s], why the anchor was set anew or "").

        A line without `up` (or one that cannot be understood) lags its arrival as the last one with it did.
        """
        try:
            decoded = decode(line, self._checked)
        except DecodeError:
            return now - self._lag_s, ""
        seen_up_s, up_s = self._seq.up_s, decoded.up
        if self._seq.see(decoded.seq, up_s).reset:
            fell = up_s is not None and seen_up_s is not None and up_s < seen_up_s
            return self._set_anchor(up_s, now), "up fell" if fell else "seq jumped back"
        if up_s is None:
            return now - self._lag_s, ""
        if self._anchor_s is None:
            return self._set_anchor(up_s, now), ""
        t = self._anchor_s + (up_s - self._up0_s)
        if abs(now - t) > self._drift_s:
            return self._set_anchor(up_s, now), f"drift {now - t:+.1f} s"
        self._lag_s = now - t
        return t, ""

    def _set_anchor(self, up_s: float | None, now: float) -> float:
        self._anchor_s = None if up_s is None else now
        self._up0_s = up_s or 0.0
        self._lag_s = 0.0
        return now
