"""The part of MicroPython's `network` the Wi-Fi board uses: a network that is there when the script says so."""

from scene import ConversionHeld, scene

STA_IF = 0
JOINING_MS = 300


class WLAN:
    def __init__(self, interface: int) -> None:
        self._is_active = False
        self._asked_ms = None

    def active(self, is_active: bool) -> None:
        self._is_active = is_active

    def connect(self, name: str, password: str) -> None:
        if not self._is_active or (name, password) != ("workshop", "not this one"):
            raise ConversionHeld("an interface that is not active, or the wrong network")
        self._asked_ms = scene.now_ms()

    def disconnect(self) -> None:
        self._asked_ms = None

    def isconnected(self) -> bool:
        if not scene.value("wifi"):
            self._asked_ms = None
        return self._asked_ms is not None and scene.now_ms() - self._asked_ms >= JOINING_MS
