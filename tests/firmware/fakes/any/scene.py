"""What does the board under test stand in?  One scripted bench behind all fake hardware, for every kind of Python.

The file named by the variable SCENE holds {"end_ms", "changes": [[at_ms, what, value], ...], ...}; what a probe would
show follows from the values in force now.  Kept to what MicroPython, CircuitPython's stand-in and CPython all run.
"""

import json
import os
import time

START_MS = time.ticks_ms()
AIR_NEEDS_MS = 16  # SHT3x-DIS datasheet, table 4: a high repeatability conversion takes at most 15.5 ms
DIVIDER = 0.6  # 10 kohm over 15 kohm
REFERENCE_V = 3.3


class ConversionHeld(Exception):
    """The fake was used as the real part could not be."""


class Scene:
    def __init__(self) -> None:
        with open(os.getenv("SCENE")) as file:
            self.script = json.load(file)
        self._changes = self.script["changes"]
        self._next = 0
        self._now = {
            "cup_c": 23.0, "frame": None, "pot_pa": 0.0, "signal_v": None, "supply_v": 5.0, "room_c": 21.5,
            "rh_pct": 44.0, "air": "ok", "pressed": False, "wifi": True, "noise": 1.0,
        }  # fmt: skip
        self.watchdog_ms = None
        self._asked_ms = None
        self._random = 1

    def now_ms(self) -> int:
        return time.ticks_diff(time.ticks_ms(), START_MS)

    def value(self, what: str) -> object:
        now_ms = self.now_ms()
        while self._next < len(self._changes) and self._changes[self._next][0] <= now_ms:
            _, changed, value = self._changes[self._next]
            self._now[changed] = value
            self._next += 1
        return self._now[what]

    def end(self) -> None:
        """Called between two looks: the scene is over when its time is."""
        if self.now_ms() >= self.script["end_ms"]:
            raise SystemExit(0)

    def hang(self, for_ms: int) -> None:
        """Nothing goes on for so long, unless a watchdog was armed that ends it (exit code 3) before."""
        if self.watchdog_ms is not None and self.watchdog_ms < for_ms:
            raise SystemExit(3)
        time.sleep_ms(for_ms)

    # -- MAX31855 (its datasheet, tables 2 to 5): 14 bits of 0.25 C, then 12 bits of 0.0625 C from bit 4

    def frame(self) -> bytes:
        frame = self.value("frame")
        if frame is None:
            hot = round(self.value("cup_c") * 4) & 0x3FFF
            cold = round(self.value("room_c") * 16) & 0xFFF
            frame = hot << 18 | cold << 4
        return frame.to_bytes(4, "big")

    # -- SHT3x-DIS

    def ask_air(self, address: int, command: bytes) -> None:
        if self.value("air") == "hang":
            self.hang(60_000)
        if self.value("air") == "nack" or address != 0x44:
            raise OSError(5)
        if bytes(command) != b"\x24\x00":
            raise ConversionHeld("not the command of one high repeatability conversion")
        self._asked_ms = self.now_ms()

    def air_bytes(self, address: int) -> bytes:
        late = self._asked_ms is None or self.now_ms() - self._asked_ms < AIR_NEEDS_MS
        if late or self.value("air") == "nack read" or address != 0x44:
            raise OSError(5)  # the chip answers no read while it converts
        self._asked_ms = None
        words = round((self.value("room_c") + 45) / 175 * 65535), round(self.value("rh_pct") / 100 * 65535)
        data = b""
        for word in words:
            two = word.to_bytes(2, "big")
            data += two + bytes((remainder(two),))
        return data[:5] + bytes((data[5] ^ 0x10,)) if self.value("air") == "crc" else data

    # -- a 12-bit converter behind two dividers, its noise a scripted number of steps wide

    def counts(self, which: str) -> int:
        exact = self.volts(which) * DIVIDER / REFERENCE_V * 4096 + self.noise()
        code = min(max(int(exact + 0.5), 0), 4095)
        return code << 4 | code >> 8

    def volts(self, which: str) -> float:
        """The gauge's signal, or its supply, before any divider."""
        supply_v = self.value("supply_v")
        signal_v = self.value("signal_v")
        if which == "supply" or signal_v is not None:
            return supply_v if which == "supply" else signal_v
        return supply_v * (0.1 + 0.8 * self.value("pot_pa") / self.script["full_pa"])

    def noise(self) -> float:
        """Of one conversion, in the converter's steps."""
        return self.value("noise") * self._bell()

    def _bell(self) -> float:
        """A random number near a normal one: mean 0, deviation 1."""
        total = 0
        for _ in range(12):
            self._random = (self._random * 1103515245 + 12345) & 0x7FFFFFFF
            total += self._random >> 8
        return total / 0x7FFFFF - 6.0


def remainder(data: bytes) -> int:
    """x^8 + x^5 + x^4 + 1 by long division of the whole message, the first byte inverted (the start value 0xFF)."""
    number = int.from_bytes(bytes((data[0] ^ 0xFF,)) + data[1:] + b"\0", "big")
    for shift in range(8 * len(data) - 1, -1, -1):
        if number >> (shift + 8) & 1:
            number ^= 0x131 << shift
    return number


scene = Scene()
