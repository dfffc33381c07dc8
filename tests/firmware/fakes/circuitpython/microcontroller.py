"""CircuitPython's `microcontroller`, as far as the board uses it: why it was reset, and its watchdog."""

import enum
import sys
from types import SimpleNamespace

from scene import scene
from watchdog import WatchDogMode

WATCHDOG_MOST_S = 8.388  # an RP2040's


class ResetReason(enum.Enum):
    POWER_ON = 0
    BROWNOUT = 1
    RESET_PIN = 5
    WATCHDOG = 6

    def __str__(self) -> str:
        return f"microcontroller.ResetReason.{self.name}"  # as CircuitPython prints it


class WatchDogTimer:
    """Ends the program, exit code 3, when it was not fed in time."""

    timeout: float | None = None
    mode: WatchDogMode | None = None
    _fed_ms = 0

    def feed(self) -> None:
        assert self.timeout is not None
        assert self.timeout <= WATCHDOG_MOST_S
        now_ms = scene.now_ms()
        if self.mode is WatchDogMode.RESET and now_ms - self._fed_ms > self.timeout * 1000:
            sys.exit(3)
        self._fed_ms = now_ms
        scene.watchdog_ms = round(self.timeout * 1000) if self.mode is WatchDogMode.RESET else None
        scene.end()


watchdog = WatchDogTimer()
cpu = SimpleNamespace(reset_reason=ResetReason[scene.script.get("cause", "POWER_ON")])
