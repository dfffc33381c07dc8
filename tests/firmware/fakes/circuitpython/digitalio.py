"""CircuitPython's `digitalio`, as far as the board uses it."""

from scene import scene


class Pull:
    UP = "up"


class DigitalInOut:
    levels: dict[int, bool] = {}  # noqa: RUF012

    def __init__(self, pin: int) -> None:
        self._pin = pin
        self._pull = ""

    def switch_to_input(self, pull: str) -> None:
        self._pull = pull

    def switch_to_output(self, value: bool) -> None:
        self.levels[self._pin] = value

    @property
    def value(self) -> bool:
        if self._pin == 15 and self._pull == Pull.UP:
            return not scene.value("pressed")
        return self.levels[self._pin]

    @value.setter
    def value(self, is_high: bool) -> None:
        self.levels[self._pin] = is_high
