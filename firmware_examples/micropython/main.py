"""The bench board on a USB cable: reads the probes and the foot switch, prints lines benchd understands.

Hold the foot switch while plugging in and the board stays at its prompt, without a watchdog, to be worked on.
"""

import time

import machine
from bench_board import BANNER_MS, POLL_MS, SCALE_MS, BenchBoard, Due, Uptime, checked
from machine_pins import Pins, reset_cause

BASE_NAME = "b1-"  # names every reading: b1-cup, b1-pot; two boards on a bench need two
# The transducer's full scale [Pa gauge], at least 1.3 x the pot's mark: 100 psi 689_476, 150 psi 1_034_214, 10 bar
# 1_000_000.  bench.toml has the same as the upper end of the channel's `range`: `benchd check` compares the two.
FULL_PA = 689_476
WATCHDOG_MS = 8_000  # an RP2040 counts to 8.3 s


def main() -> None:
    """Until the power goes."""
    pins = Pins()
    if pins.is_pressed():
        print("# foot switch held: not watching")
        return
    watchdog = machine.WDT(timeout=WATCHDOG_MS)
    banner, says_banner = "# board " + BASE_NAME + " started: " + reset_cause(), Due(BANNER_MS)
    says_scale = Due(SCALE_MS)
    uptime = Uptime(time.ticks_ms, time.ticks_diff)
    board = BenchBoard(pins, BASE_NAME, FULL_PA)
    while True:
        watchdog.feed()
        now_ms = uptime.now_ms()
        if says_banner.is_now(now_ms):
            print(banner)
        if says_scale.is_now(now_ms):
            print(board.full_scale)
        for array in board.step(now_ms):
            print(checked(array))
        time.sleep_ms(POLL_MS)


main()
