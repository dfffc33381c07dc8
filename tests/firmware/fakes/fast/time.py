"""A clock RATE times as fast as life: a second of the board's passes in 1 / RATE real ones, sockets or not."""

import os

import utime

RATE = int(os.getenv("RATE") or "1")
START_MS = utime.ticks_ms()
ticks_diff = utime.ticks_diff


def ticks_ms() -> int:
    return utime.ticks_diff(utime.ticks_ms(), START_MS) * RATE


def sleep_ms(ms: int) -> None:
    utime.sleep_us(ms * 1000 // RATE)
