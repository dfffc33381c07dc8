"""Which pin does what on a MicroPython board?  The hardware behind bench_board, by MicroPython's own `machine`.

For RP2040 and RP2350 boards only: their converter reads 0 to 3.3 V (RP2040 datasheet, 4.9), which the wiring's dividers
are made for.  An ESP32 has esp32_pins.py in place of this file, and its dividers the other way round; with these ones
its supply reads full, and the board says "pot supply beyond the converter".  Another chip needs other dividers, its
converter set up in Pins, and other pin numbers too.
"""

import machine
from bench_board import reset_words
from micropython import const

SPI_ID = const(0)
SCK_PIN, MISO_PIN, MOSI_PIN, SELECT_PIN = 18, 16, 19, 17
I2C_ID = const(0)
SDA_PIN, SCL_PIN = 4, 5
SIGNAL_PIN, SUPPLY_PIN = 26, 27
SWITCH_PIN = const(15)
AIR_ADDRESS = const(0x44)
AIR_ASK = b"\x24\x00"  # one conversion, high repeatability, no clock stretching (SHT3x-DIS datasheet, table 9)


def reset_cause() -> str:
    """Why the board started, in words."""
    return reset_words(machine)


class Pins:
    """The board's probes and its switch."""

    SAMPLES = 8

    def __init__(self) -> None:
        self._switch = machine.Pin(SWITCH_PIN, machine.Pin.IN, machine.Pin.PULL_UP)
        self._select = machine.Pin(SELECT_PIN, machine.Pin.OUT, value=1)
        self._spi = machine.SPI(
            SPI_ID,
            baudrate=4_000_000,  # the amplifier takes 5 MHz
            polarity=0,
            phase=0,
            sck=machine.Pin(SCK_PIN),
            mosi=machine.Pin(MOSI_PIN),
            miso=machine.Pin(MISO_PIN),
        )
        self._i2c = machine.I2C(I2C_ID, sda=machine.Pin(SDA_PIN), scl=machine.Pin(SCL_PIN), freq=100_000)
        self._signal = machine.ADC(machine.Pin(SIGNAL_PIN))
        self._supply = machine.ADC(machine.Pin(SUPPLY_PIN))
        self._frame = bytearray(4)

    def is_pressed(self) -> bool:
        return self._switch.value() == 0

    def frame(self) -> int:
        self._select.value(0)
        self._spi.readinto(self._frame)
        self._select.value(1)
        return int.from_bytes(self._frame, "big")

    def ask_air(self) -> None:
        self._i2c.writeto(AIR_ADDRESS, AIR_ASK)

    def air_bytes(self) -> bytes:
        return self._i2c.readfrom(AIR_ADDRESS, 6)

    def sample(self) -> tuple[int, int]:
        signal = supply = 0
        for _ in range(self.SAMPLES):
            signal += self._signal.read_u16()
            supply += self._supply.read_u16()
        return signal, supply
