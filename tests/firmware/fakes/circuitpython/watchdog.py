"""CircuitPython's `watchdog`: the modes."""

import enum


class WatchDogMode(enum.Enum):
    RAISE = 1
    RESET = 2
