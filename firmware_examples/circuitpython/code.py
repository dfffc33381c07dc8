"""The bench board on a USB cable, under CircuitPython: reads the probes and the foot switch, sends checked lines.

Hold the foot switch while plugging in and the board stays at its prompt, without a watchdog, to be worked on.
"""

import time

import analogio
import board
import busio
import digitalio
import microcontroller
import usb_cdc
from bench_board import BANNER_MS, POLL_MS, SCALE_MS, BenchBoard, Due, checked
from watchdog import WatchDogMode

BASE_NAME = "b1-"  # names every reading: b1-cup, b1-pot; two boards on a bench need two
# The transducer's full scale [Pa gauge], at least 1.3 x the pot's mark: 100 psi 689_476, 150 psi 1_034_214, 10 bar
# 1_000_000.  bench.toml has the same as the upper end of the channel's `range`: `benchd check` compares the two.
FULL_PA = 689_476
WATCHDOG_S = 8  # an RP2040 counts to 8.3 s
AIR_ADDRESS = 0x44
AIR_ASK = b"\x24\x00"  # one conversion, high repeatability, no clock stretching (SHT3x-DIS datasheet, table 9)


class Pins:
    """The board's probes and its switch, as the wiring table has them."""

    SAMPLES = 8

    def __init__(self) -> None:
        self._switch = digitalio.DigitalInOut(board.GP15)
        self._switch.switch_to_input(pull=digitalio.Pull.UP)
        self._select = digitalio.DigitalInOut(board.GP17)
        self._select.switch_to_output(value=True)
        self._spi = busio.SPI(board.GP18, MISO=board.GP16)
        while not self._spi.try_lock():  # nobody else is on this bus: it is kept
            pass
        self._spi.configure(baudrate=4_000_000, polarity=0, phase=0)  # the amplifier takes 5 MHz
        self._signal = analogio.AnalogIn(board.GP26)
        self._supply = analogio.AnalogIn(board.GP27)
        self._i2c = None
        self._frame = bytearray(4)
        self._air = bytearray(6)

    def is_pressed(self) -> bool:
        return not self._switch.value

    def frame(self) -> int:
        self._select.value = False
        self._spi.readinto(self._frame)
        self._select.value = True
        return int.from_bytes(self._frame, "big")

    def ask_air(self) -> None:
        if self._i2c is None:
            self._i2c = self._open_i2c()
        self._i2c.writeto(AIR_ADDRESS, AIR_ASK)

    def _open_i2c(self) -> busio.I2C:
        """The bus, once something pulls its wires up: without, CircuitPython refuses to make one."""
        try:
            i2c = busio.I2C(board.GP5, board.GP4)
        except RuntimeError as error:
            raise OSError(str(error)) from error
        while not i2c.try_lock():
            pass
        return i2c

    def air_bytes(self) -> bytes:
        if self._i2c is None:
            raise OSError("no bus")
        self._i2c.readfrom_into(AIR_ADDRESS, self._air)
        return bytes(self._air)

    def sample(self) -> tuple[int, int]:
        signal = supply = 0
        for _ in range(self.SAMPLES):
            signal += self._signal.value
            supply += self._supply.value
        return signal, supply


def reset_cause() -> str:
    """Why the board started: "power on", "watchdog", "reset pin" ..."""
    return str(microcontroller.cpu.reset_reason).rsplit(".", 1)[-1].replace("_", " ").lower()


def open_port() -> usb_cdc.Serial:
    """The port for lines; without boot.py there is only the console."""
    port = usb_cdc.data or usb_cdc.console
    if port is None:
        raise RuntimeError("no USB serial port: copy boot.py too")
    port.write_timeout = 0.05  # a computer that does not read must not hold up the foot switch
    return port


def main() -> None:
    """Until the power goes."""
    pins = Pins()
    if pins.is_pressed():
        print("# foot switch held: not watching")
        return
    watchdog = microcontroller.watchdog
    if watchdog is None:
        raise RuntimeError("this board has no watchdog: not one for a pot under pressure")
    watchdog.timeout = WATCHDOG_S
    watchdog.mode = WatchDogMode.RESET
    port = open_port()
    banner, says_banner = "# board " + BASE_NAME + " started: " + reset_cause() + "\n", Due(BANNER_MS)
    bench, says_scale = BenchBoard(pins, BASE_NAME, FULL_PA), Due(SCALE_MS)
    start_ns = time.monotonic_ns()
    while True:
        watchdog.feed()
        now_ms = (time.monotonic_ns() - start_ns) // 1_000_000
        said = [banner] if says_banner.is_now(now_ms) else []
        said += [bench.full_scale + "\n"] if says_scale.is_now(now_ms) else []
        said += [checked(array) + "\n" for array in bench.step(now_ms)]
        if port.connected:
            for line in said:
                port.write(line.encode())
        time.sleep(POLL_MS / 1000)


main()
