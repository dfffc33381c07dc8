"""Which pin does what on an ESP32 that runs MicroPython?  Copied onto it as machine_pins.py.

For the ESP32 itself, not its younger relatives (S2, S3, C3), whose converters have other ranges and other pins.  What
follows is from MicroPython's "Quick reference for the ESP32":

1. At 11 dB the converter is straight from 150 to 2,450 mV; `read_uv` is corrected by what was measured at the factory,
   in whole millivolts.  So 5 V must come down to 2 V: 15 kohm in line, 10 kohm to ground, an RP2040's two swapped.
2. An input at ground does not read zero.  What is at or below 150 mV is taken for ground, and the gauge's wire for off:
   a sound transducer gives 500 mV, of which the divider leaves 200.
3. Only block 1 (pins 32 to 39) converts while the radio is on.  34 to 39 are inputs without a pull-up, right for these.
4. Pins 6, 7, 8, 11, 16 and 17 belong to the flash memory.  0, 2, 5, 12 and 15 are read at boot (ESP32 datasheet,
   strapping pins), so nothing is wired to them.
"""

import machine
from bench_board import reset_words
from micropython import const

SPI_ID = const(2)  # VSPI, on its default pins
SCK_PIN, MISO_PIN, MOSI_PIN, SELECT_PIN = 18, 19, 23, 27
I2C_ID = const(0)
SDA_PIN, SCL_PIN = 21, 22
SIGNAL_PIN, SUPPLY_PIN = 34, 35
SWITCH_PIN = const(26)
AIR_ADDRESS = const(0x44)
AIR_ASK = b"\x24\x00"  # one conversion, high repeatability, no clock stretching (SHT3x-DIS datasheet, table 9)
GROUND_MV = const(150)
COUNTS_IN_4_MV = const(107)  # bench_board's 65,535 counts are 2,450 mV; no product leaves the small integers


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
        self._signal = machine.ADC(machine.Pin(SIGNAL_PIN), atten=machine.ADC.ATTN_11DB)
        self._supply = machine.ADC(machine.Pin(SUPPLY_PIN), atten=machine.ADC.ATTN_11DB)
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
        signal_mv = supply_mv = 0
        for _ in range(self.SAMPLES):
            mv = self._signal.read_uv() // 1000
            signal_mv += mv if mv > GROUND_MV else 0
            supply_mv += self._supply.read_uv() // 1000
        return signal_mv * COUNTS_IN_4_MV // 4, supply_mv * COUNTS_IN_4_MV // 4
