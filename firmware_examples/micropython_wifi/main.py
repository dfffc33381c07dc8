"""The bench board on Wi-Fi: the same readings as the USB board's, published to an MQTT broker.

Hold the foot switch while it powers up and the board stays at its prompt, without a watchdog, to be worked on.
"""

import time

import machine
import network
from bench_board import POLL_MS, BenchBoard, Due, Uptime
from machine_pins import Pins, reset_cause
from uplink import Uplink

import config

WATCHDOG_MS = 8_000  # an RP2040 counts to 8.3 s
JOIN_EVERY_MS = 10_000  # how long one try to join the network may take
JOIN_AFTER_MS = 1_000


class Radio:
    """The Wi-Fi network, joined again whenever it is lost; never waits."""

    def __init__(self, name: str, password: str) -> None:
        self._name = name
        self._password = password
        self._wlan = network.WLAN(network.STA_IF)
        self._wlan.active(True)
        self._tries = Due(JOIN_EVERY_MS)
        self._is_joined = False

    def step(self, now_ms: int) -> bool:
        """True while the network has us."""
        if self._wlan.isconnected():
            self._is_joined = True
            return True
        if self._is_joined:
            self._is_joined = False
            self._tries = Due(JOIN_EVERY_MS, now_ms + JOIN_AFTER_MS)
        if self._tries.is_now(now_ms):
            try:
                self._wlan.disconnect()
                self._wlan.connect(self._name, self._password)
            except OSError as error:
                print("# wifi:", error)
        return False


def main() -> None:
    """Until the power goes."""
    pins = Pins()
    if pins.is_pressed():
        print("# foot switch held: not watching")
        return
    watchdog = machine.WDT(timeout=WATCHDOG_MS)
    unique = machine.unique_id()
    board = BenchBoard(pins, config.BOARD + "-", config.FULL_PA)
    uplink = Uplink(
        config.BROKER_HOST,
        config.BROKER_PORT,
        config.TOPIC_PREFIX + "/board/" + config.BOARD,
        config.BOARD + "-" + unique.hex(),
        config.BROKER_USERNAME,
        config.BROKER_PASSWORD,
        reset_cause() + "; " + board.full_scale[2:],
        unique[-1] * 2,
    )
    radio = Radio(config.WIFI_NAME, config.WIFI_PASSWORD)
    uptime = Uptime(time.ticks_ms, time.ticks_diff)
    trouble, connects = "", 0
    while True:
        watchdog.feed()
        now_ms = uptime.now_ms()
        if radio.step(now_ms):
            uplink.step(now_ms)
        else:
            uplink.leave(now_ms)
        if uplink.connects != connects:
            connects = uplink.connects
            uplink.say(board.presses(now_ms))  # the counts that later ones are measured from
        for array in board.step(now_ms):
            uplink.say(array)
        if uplink.trouble != trouble:
            trouble = uplink.trouble
            print("# broker:", trouble or "here")
        time.sleep_ms(POLL_MS)


main()
