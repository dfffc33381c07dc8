"""The part of MicroPython's `machine` the boards use, in front of the scripted bench.  Wrong use raises."""

import sys

from scene import ConversionHeld, scene

PWRON_RESET = 1
WDT_RESET = 3
WATCHDOG_MOST_MS = 8_388  # an RP2040's (its MicroPython quick reference)


def reset_cause() -> int:
    return scene.script.get("cause", PWRON_RESET)


def unique_id() -> bytes:
    return b"\xe6\x61\x38\x01"


class WDT:
    """Ends the program, exit code 3, when it was not fed in time."""

    def __init__(self, id: int = 0, timeout: int = 5000) -> None:
        if not 0 < timeout <= WATCHDOG_MOST_MS:
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
    IN, OUT, PULL_UP = 0, 1, 1
    levels = {}  # noqa: RUF012

    def __init__(self, id: int, mode: int = -1, pull: int = -1, value: int | None = None) -> None:
        self.id, self._mode, self._pull = id, mode, pull
        if value is not None:
            self.levels[id] = value

    def value(self, x: int | None = None) -> int:
        if x is not None:
            self.levels[self.id] = x
        if self.id == 15 and (self._mode, self._pull) == (self.IN, self.PULL_UP):
            return 0 if scene.value("pressed") else 1
        return self.levels[self.id]


class SPI:
    def __init__(self, id: int, baudrate: int, polarity: int, phase: int, sck: Pin, mosi: Pin, miso: Pin) -> None:
        if baudrate > 5_000_000 or polarity or phase:  # MAX31855 datasheet: 5 MHz, clock low when idle
            raise ConversionHeld("the amplifier could not follow")
        if (sck.id, miso.id) != (18, 16):
            raise ValueError("wired otherwise")

    def readinto(self, buffer: bytearray, write: int = 0) -> None:
        buffer[:] = scene.frame() if Pin.levels[17] == 0 else b"\xff" * len(buffer)


class I2C:
    def __init__(self, id: int, scl: Pin, sda: Pin, freq: int) -> None:
        if (scl.id, sda.id) != (5, 4) or freq > 1_000_000:
            raise ValueError("wired otherwise")

    def writeto(self, address: int, data: bytes) -> int:
        scene.ask_air(address, data)
        return len(data)

    def readfrom(self, address: int, count: int) -> bytes:
        return scene.air_bytes(address)[:count]


class ADC:
    def __init__(self, pin: Pin) -> None:
        self._which = {26: "signal", 27: "supply"}[pin.id]

    def read_u16(self) -> int:
        return scene.counts(self._which)
