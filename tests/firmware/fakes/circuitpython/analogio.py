"""CircuitPython's `analogio`, in front of the scripted bench."""

from scene import scene


class AnalogIn:
    def __init__(self, pin: int) -> None:
        self._which = {26: "signal", 27: "supply"}[pin]

    @property
    def value(self) -> int:
        return scene.counts(self._which)
