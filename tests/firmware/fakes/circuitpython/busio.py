"""CircuitPython's `busio`, in front of the scripted bench: buses must be locked, I2C needs its pull-ups."""

from digitalio import DigitalInOut
from scene import ConversionHeld, scene


class Lockable:
    _is_locked = False

    def try_lock(self) -> bool:
        self._is_locked, was_locked = True, self._is_locked
        return not was_locked

    def _used(self) -> None:
        if not self._is_locked:
            raise RuntimeError("Function requires lock")


class SPI(Lockable):
    def __init__(self, clock: int, MOSI: int | None = None, MISO: int | None = None) -> None:  # noqa: N803
        assert (clock, MISO) == (18, 16)
        self._is_configured = False

    def configure(self, *, baudrate: int = 100_000, polarity: int = 0, phase: int = 0, bits: int = 8) -> None:
        self._used()
        if baudrate > 5_000_000 or polarity or phase:  # MAX31855 datasheet: 5 MHz, clock low when idle
            raise ConversionHeld("the amplifier could not follow")
        self._is_configured = True

    def readinto(self, buffer: bytearray) -> None:
        self._used()
        assert self._is_configured
        buffer[:] = b"\xff" * len(buffer) if DigitalInOut.levels[17] else scene.frame()


class I2C(Lockable):
    def __init__(self, scl: int, sda: int, *, frequency: int = 100_000, timeout: int = 255) -> None:
        assert (scl, sda) == (5, 4)
        if scene.value("air") == "no pull-up":
            raise RuntimeError("No pull up found on SDA or SCL; check your wiring")

    def writeto(self, address: int, buffer: bytes) -> None:
        self._used()
        scene.ask_air(address, buffer)

    def readfrom_into(self, address: int, buffer: bytearray) -> None:
        self._used()
        buffer[:] = scene.air_bytes(address)[: len(buffer)]
