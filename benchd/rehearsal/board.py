"""Produces the bytes the board sends: SenML arrays (RFC 8428) with a CRC-32 trailer, and everything that spoils them.

    <JSON array> SP <8 lowercase hex of zlib's CRC-32 of the bytes before that space> LF

`seq` counts every line made, sent or lost; `up` is the board's own clock; press counts run since its boot.
"""

from __future__ import annotations

import math
import zlib
from collections.abc import Mapping, Sequence

from benchd.rehearsal.probes import stream
from benchd.rehearsal.scenario import BoardSpec

LINE_MOST = 512
BOOT_S = 1.5  # dark from reset to the first line
BANNER = (b"# board boots\n", b"# cause: reset pin\n")
UNITS: Mapping[str, tuple[str, int]] = {
    "cup": ("Cel", 2), "pot": ("Pa", 0), "room": ("Cel", 2), "rh": ("%RH", 1), "tank": ("Pa", 0), "tankt": ("Cel", 2),
}  # fmt: skip
"""Channel -> its SenML unit and decimals; any other name is a further cup."""
SLOW = ("room", "rh", "tank", "tankt")


def checked_line(json_text: str) -> bytes:
    """One whole line: the text, a space, its CRC-32, LF."""
    body = json_text.encode()
    return body + b" %08x\n" % zlib.crc32(body)


class Board:
    """Turns readings into lines, and lines into what arrives."""

    def __init__(self, spec: BoardSpec, seed: int) -> None:
        self.spec = spec
        self._rng = stream(seed, "board")
        self._seq = 0
        self._boot_s = 0.0
        self._dark_until_s = -math.inf
        self._presses = {"short": 0, "long": 0, "double": 0}
        self._slow_due_s = -math.inf
        self._shut: dict[str, float] = {}

    def fault(self, what: str, until_s: float) -> None:
        """From now until until_s: "drop", "garbage", "silent" or "unplug"."""
        self._shut[what] = until_s

    def is_plugged(self, t_s: float) -> bool:
        """True while the board's port is there."""
        return t_s >= self._shut.get("unplug", -math.inf)

    def reset(self, t_s: float) -> list[bytes]:
        """Restart the board: the banner comes at once, seq, up and press counts from zero, first line BOOT_S later."""
        self._seq, self._boot_s, self._dark_until_s = 0, t_s, t_s + BOOT_S
        self._presses = dict.fromkeys(self._presses, 0)
        self._slow_due_s = -math.inf
        return list(BANNER)

    def press(self, t_s: float, kind: str) -> list[bytes]:
        """A press, sent at once in a line of its own."""
        if t_s < self._dark_until_s:
            return []
        self._presses[kind] += 1
        return self._arrives(t_s, [self._line(t_s, self._counts())])

    def lines(self, t_s: float, readings: Mapping[str, float | None]) -> list[bytes]:
        """What arrives of one sampling at t_s [s since start]; None is a broken probe, sent as a fault record."""
        if t_s < self._dark_until_s:
            return []
        fast = [_record(n, v) for n, v in readings.items() if n not in SLOW]
        slow: list[str] = []
        if t_s >= self._slow_due_s:
            self._slow_due_s = t_s + self.spec.slow_s - 1e-6
            slow = [*(_record(n, readings[n]) for n in SLOW if n in readings), *self._counts()]
        whole = self._line(t_s, fast + slow)
        if slow and (self.spec.split or len(whole) > LINE_MOST):
            self._seq = (self._seq - 1) % 2**32
            return self._arrives(t_s, [self._line(t_s, fast), self._line(t_s, slow)])
        return self._arrives(t_s, [whole])

    def _counts(self) -> list[str]:
        return [f'{{"n":"press-{kind}","v":{count}}}' for kind, count in self._presses.items()]

    def _line(self, t_s: float, records: Sequence[str]) -> bytes:
        up_s = (t_s - self._boot_s) * (1.0 + self.spec.clock_ppm * 1e-6)
        head = f'[{{"bn":"{self.spec.prefix}","n":"seq","v":{self._seq}}},{{"n":"up","u":"s","v":{up_s:.3f}}}'
        self._seq = (self._seq + 1) % 2**32
        return checked_line(",".join([head, *records]) + "]")

    def _arrives(self, t_s: float, lines: list[bytes]) -> list[bytes]:
        if not self._shut:
            return lines
        on = {what for what, until_s in self._shut.items() if t_s < until_s}
        if on & {"silent", "unplug"}:
            return []
        if "drop" in on:
            lines = [line for line in lines if self._rng.random() < 0.4]
        return [self._damaged(line) for line in lines] if "garbage" in on else lines

    def _damaged(self, line: bytes) -> bytes:
        """One of: a flipped bit, a line cut short without its LF, random bytes, a flood without LF, nothing wrong."""
        how, at = int(self._rng.integers(5)), int(self._rng.integers(len(line) - 1))
        if how == 0:
            return line[:at] + bytes([line[at] ^ (1 << int(self._rng.integers(8)))]) + line[at + 1 :]
        if how == 1:
            return line[:at]
        if how == 2:
            return self._rng.bytes(40) + b"\n"
        return b"\xff" * 700 + line if how == 3 else line


def _record(name: str, value: float | None) -> str:
    if value is None:
        return f'{{"n":"fault","vs":"{name} open"}}'
    unit, places = UNITS.get(name, UNITS["cup"])
    return f'{{"n":"{name}","u":"{unit}","v":{value:.{places}f}}}'
