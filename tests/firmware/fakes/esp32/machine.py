"""The part of MicroPython's `machine` the boards use, as its ESP32 port has it, before the scripted bench.

What each class allows is from MicroPython's "Quick reference for the ESP32"; wrong use raises.
"""

import sys

from scene import ConversionHeld, scene

PWRON_RESET, HARD_RESET, WDT_RESET, DEEPSLEEP_RESET, SOFT_RESET = 1, 2, 3, 4, 5
WATCHDOG_LEAST_MS = 1_000
MISSING_PINS = (20, 24, 28, 29, 30, 31)  # of 0 to 39
FLASH_PINS = (6, 7, 8, 9, 10, 11, 16, 17)
BOOT_PINS = (0, 2, 5, 12, 15)  # ESP32 datasheet, strapping pins
DIVIDER = 0.4  # 15 kohm in line, 10 kohm to ground
ABSOLUTE_MOST_MV = 3_600
STOP_MV = 3_100  # from memory: what it reads at most at 11 dB, far off the straight part
GROUND_READS_MV = 142  # from memory; the reference says "above 0"


def reset_cause() -> int:
    return scene.script.get("cause", PWRON_RESET)


def unique_id() -> bytes:
    return b"\x24\x0a\xc4\x01\x02\x03"


class WDT:
    """Ends the program, exit code 3, when it was not fed in time."""

    def __init__(self, id: int = 0, timeout: int = 5000) -> None:
        if timeout < WATCHDOG_LEAST_MS:
            raise ValueError("timeout")
        self._timeout_ms = scene.watchdog_ms = timeout
        self._fed_ms = scene.now_ms()

    def feed(self) -> None:
        now_ms = scene.now_ms()
        if now_ms - self._fed_ms > self._timeout_ms:
            sys.exit(3)
        self._fed_ms = now_ms
        scene.end()


class Pin:
    IN, OUT, PULL_UP = 1, 3, 2
    levels = {}  # noqa: RUF012

    def __init__(self, id: int, mode: int = -1, pull: int = -1, value: int | None = None) -> None:
        if not 0 <= id <= 39 or id in MISSING_PINS or id in FLASH_PINS or id in BOOT_PINS:
            raise ValueError("invalid pin, or one the chip needs itself")
        if id >= 34 and (mode == self.OUT or pull == self.PULL_UP):
            raise ValueError("pin can only be input, and has no pull-up")
        self.id, self._mode, self._pull = id, mode, pull
        if value is not None:
            self.levels[id] = value

    def value(self, x: int | None = None) -> int:
        if x is not None:
            if self._mode != self.OUT:
                raise ValueError("not an output")
            self.levels[self.id] = x
        if self.id == 26 and (self._mode, self._pull) == (self.IN, self.PULL_UP):
            return 0 if scene.value("pressed") else 1
        return self.levels[self.id]


class SPI:
    def __init__(self, id: int, baudrate: int, polarity: int, phase: int, sck: Pin, mosi: Pin, miso: Pin) -> None:
        if id not in (1, 2):
            raise ValueError(f"SPI({id}) doesn't exist")
        if baudrate > 5_000_000 or polarity or phase:  # MAX31855 datasheet: 5 MHz, clock low when idle
            raise ConversionHeld("the amplifier could not follow")
        if (id, sck.id, mosi.id, miso.id) != (2, 18, 23, 19):
            raise ValueError("wired otherwise")

    def readinto(self, buffer: bytearray, write: int = 0) -> None:
        buffer[:] = scene.frame() if Pin.levels[27] == 0 else b"\xff" * len(buffer)


class I2C:
    def __init__(self, id: int, scl: Pin, sda: Pin, freq: int) -> None:
        if id not in (0, 1):
            raise ValueError(f"I2C({id}) doesn't exist")
        if (scl.id, sda.id) != (22, 21) or freq > 1_000_000:
            raise ValueError("wired otherwise")

    def writeto(self, address: int, data: bytes) -> int:
        scene.ask_air(address, data)
        return len(data)

    def readfrom(self, address: int, count: int) -> bytes:
        return scene.air_bytes(address)[:count]


class ADC:
    """Block 1 alone: block 2 raises while the radio is on."""

    ATTN_0DB, ATTN_2_5DB, ATTN_6DB, ATTN_11DB = 0, 1, 2, 3

    def __init__(self, pin: Pin, *, atten: int = ATTN_0DB) -> None:
        if not 32 <= pin.id <= 39:
            raise ValueError("block 2 is the radio's")
        self._which = {34: "signal", 35: "supply"}[pin.id]
        self._stop_mv = {0: 950, 1: 1250, 2: 1750, 3: STOP_MV}[atten]

    def read_uv(self) -> int:
        """Corrected, in whole millivolts; straight from 150 to 2,450 mV at 11 dB."""
        mv = scene.volts(self._which) * DIVIDER * 1000
        if mv > ABSOLUTE_MOST_MV:
            raise ConversionHeld("above the absolute maximum of the pin")
        return 1000 * int(min(max(mv + scene.noise() + 0.5, GROUND_READS_MV), self._stop_mv))
