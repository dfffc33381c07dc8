"""What does a bench board say, and when?  Everything but the pins, for every board that runs Python.

    probes --> frames, counts, bytes --> BenchBoard.step(now_ms) --> SenML arrays --> checked() --> a serial line
                                                                                 `-> as they are --> MQTT

Plain Python that MicroPython, CircuitPython and CPython all run: no floats for time or counts (a small board's float
holds seven digits: its seconds would turn coarse within hours), no imports but binascii.  Names end in their unit.
"""

import binascii

PERIOD_MS = 250  # cup and pot: 4 lines a second
SLOW_MS = 2_000  # room, humidity, and the press counts once more
BANNER_MS = 10_000  # who listens late still learns why the board started
SCALE_MS = 4_000  # and by what full scale it reckons, within the five seconds `benchd check` waits
POLL_MS = 5  # how often `step` wants to be called: the foot switch is looked at, the gauge is sampled
COUNT_WRAP = 4_294_967_296
FAULT_BITS = ((1, "open"), (2, "shorted to ground"), (4, "shorted to supply"))

DEBOUNCE_MS = 25  # common practice, no source: contacts settle in 5 to 20 ms
LONG_MS = 600  # a foot held this long means it
DOUBLE_MS = 350  # common practice, no source: a second press within this is one double

RESETS = (
    ("WDT_RESET", "watchdog"),
    ("PWRON_RESET", "power on"),
    ("HARD_RESET", "reset pin"),
    ("DEEPSLEEP_RESET", "woke from deep sleep"),
    ("SOFT_RESET", "restarted by command"),
)

LINE_MOST_BYTES = 512


def checked(array: str) -> str:
    """The line a serial port carries: the array, one space, zlib's CRC-32 (ISO 3309) of the bytes before it in hex."""
    return f"{array} {binascii.crc32(array.encode()) & 0xFFFFFFFF:08x}"


def full_scale(base_name: str, full_pa: int) -> str:
    """The comment that says by what full scale `pot` is reckoned: `benchd check` compares it with the bench's file."""
    return f"# full scale: {base_name}pot {full_pa} Pa"


def reset_words(machine) -> str:  # type: ignore[no-untyped-def]  # MicroPython's module, of any port
    """Why the board started, in words; ports know different causes, and some give two the same number."""
    number = machine.reset_cause()
    for name, words in RESETS:
        if getattr(machine, name, None) == number:
            return words
    return f"unknown ({number})"


def crc8(data: bytes) -> int:
    """CRC-8 of a humidity sensor's word: polynomial 0x31, start 0xFF, no reflection (SHT3x-DIS datasheet, 4.12)."""
    crc = 0xFF
    for byte in data:
        crc ^= byte
        for _ in range(8):
            crc = ((crc << 1) ^ 0x31) & 0xFF if crc & 0x80 else crc << 1
    return crc


def thermocouple(frame: int) -> tuple[float, str]:
    """(hot junction [C], "") of one 32-bit frame of a MAX31855, or (0.0, what is wrong) (its datasheet, tables 2 to 5).

    All zeros would be 0 C at both ends, which no bench has, and all ones is no frame: a wire to the chip is off.
    """
    if frame in (0, 0xFFFFFFFF):
        return 0.0, "amplifier silent"
    if frame & 0x00020008:  # D17 and D3 always read 0
        return 0.0, "frame damaged"
    if frame & 0x00010007:
        return 0.0, ", ".join([words for bit, words in FAULT_BITS if frame & bit]) or "fault"
    quarters = frame >> 18
    if quarters & 0x2000:
        quarters -= 0x4000
    return quarters / 4, ""


def air(data: bytes) -> tuple[float, float, str]:
    """(room [C], relative humidity [%], "") of the six bytes of a SHT3x-DIS, or (0.0, 0.0, what is wrong).

    Its datasheet, 4.13: -45 + 175 S / 65535 and 100 S / 65535 of the two words S, each followed by its CRC-8.
    """
    if len(data) != 6 or crc8(data[0:2]) != data[2] or crc8(data[3:5]) != data[5]:
        return 0.0, 0.0, "checksum wrong"
    room_c = -45 + 175 * (data[0] << 8 | data[1]) / 65535
    rh_pct = 100 * (data[3] << 8 | data[4]) / 65535
    return room_c, rh_pct, ""


def gauge(output: int, supply: int, full_pa: int, supply_least: int, supply_most: int) -> tuple[int, str]:
    """(gauge pressure [Pa], "") of a 0.5 to 4.5 V ratiometric transducer, or (0, what is wrong).

    `output` and `supply` are sums of as many samples of its signal and of its 5 V, both through the same divider;
    p = (output / supply - 0.1) / 0.8 x full_pa.  Below 5 % of the supply a wire is off, above 95 % it is shorted
    (common practice, no source).  A supply above `supply_most` is at the converter's stop: how high it really is nobody
    knows, so no pressure follows from it.
    """
    if supply < supply_least:
        return 0, "supply low"
    if supply > supply_most:
        return 0, "supply beyond the converter"
    if output * 20 < supply:
        return 0, "wire off"
    if output * 20 > supply * 19:
        return 0, "shorted"
    return (10 * output - supply) * full_pa // (8 * supply), ""


class Uptime:
    """Milliseconds since it was made, from a tick counter that wraps (MicroPython's does after 6 to 12 days)."""

    def __init__(self, ticks_ms, ticks_diff) -> None:  # type: ignore[no-untyped-def]  # callables have no type there
        self._ticks_ms = ticks_ms
        self._ticks_diff = ticks_diff
        self._last_ms = ticks_ms()
        self._up_ms = 0

    def now_ms(self) -> int:
        tick_ms = self._ticks_ms()
        self._up_ms += self._ticks_diff(tick_ms, self._last_ms)
        self._last_ms = tick_ms
        return self._up_ms


class Due:
    """Every so many milliseconds, without drifting; what was missed is not made up for."""

    def __init__(self, every_ms: int, first_ms: int = 0) -> None:
        self._every_ms = every_ms
        self._next_ms = first_ms

    def is_now(self, now_ms: int) -> bool:
        if now_ms < self._next_ms:
            return False
        self._next_ms += ((now_ms - self._next_ms) // self._every_ms + 1) * self._every_ms
        return True


class FootSwitch:
    """Counts short, long and double presses, each as soon as it is certain.

    long: at 0.6 s, still held.  double: when the foot comes down again.  short: when it no longer can become a double.
    """

    def __init__(self) -> None:
        self.counts = {"short": 0, "long": 0, "double": 0}
        self._raw = self._is_down = False
        self._raw_ms = self._down_ms = self._up_ms = 0
        self._is_counted = True  # what the present or last press had to say has been said

    def step(self, now_ms: int, is_closed: bool) -> bool:
        """Look at the contact; True when a press was counted just now."""
        if is_closed != self._raw:
            self._raw, self._raw_ms = is_closed, now_ms
        kind = ""
        if self._raw != self._is_down and now_ms - self._raw_ms >= DEBOUNCE_MS:
            self._is_down = self._raw
            kind = self._pressed() if self._is_down else self._released()
        elif not self._is_counted:
            kind = self._waited(now_ms)
        if kind:
            self.counts[kind] = (self.counts[kind] + 1) % COUNT_WRAP
        return kind != ""

    def _pressed(self) -> str:
        """The foot came down; a short press still waiting becomes a double, or was alone after all."""
        was_waiting = not self._is_counted
        self._down_ms = self._raw_ms
        self._is_counted = was_waiting and self._down_ms - self._up_ms <= DOUBLE_MS
        if self._is_counted:
            return "double"
        return "short" if was_waiting else ""

    def _released(self) -> str:
        self._up_ms = self._raw_ms
        if self._is_counted or self._up_ms - self._down_ms < LONG_MS:
            return ""
        self._is_counted = True  # nobody looked while it was held
        return "long"

    def _waited(self, now_ms: int) -> str:
        if self._is_down:
            kind = "long" if self._raw and now_ms - self._down_ms >= LONG_MS else ""
        else:
            kind = "short" if now_ms - self._up_ms > DOUBLE_MS + DEBOUNCE_MS else ""
        self._is_counted = kind != ""
        return kind


class Lines:
    """Writes SenML arrays (RFC 8428), each with the board's base name, `seq` and `up`."""

    def __init__(self, base_name: str) -> None:
        self.seq = 0
        self._base_name = base_name

    def array(self, now_ms: int, records: list[str]) -> str:
        head = f'[{{"bn":"{self._base_name}","n":"seq","v":{self.seq}}}'
        up = f'{{"n":"up","u":"s","v":{now_ms // 1000}.{now_ms % 1000:03d}}}'
        self.seq = (self.seq + 1) % COUNT_WRAP
        return head + "," + up + "".join(["," + record for record in records]) + "]"


def fault(name: str, what: str) -> str:
    """The record that stands in for a reading that must not be used."""
    return f'{{"n":"fault","vs":"{name} {what}"}}'


class BenchBoard:
    """One board: call `step` every POLL_MS, send what it returns.

    `pins` gives it the hardware: is_pressed() -> bool; frame() -> the thermocouple amplifier's 32 bits; ask_air() and
    then air_bytes() -> six bytes, either raising OSError when nobody answers; sample() -> (signal, supply), sums of as
    many samples each, in counts of 65,535; SAMPLES, how many.
    """

    def __init__(self, pins, base_name: str, full_pa: int) -> None:  # type: ignore[no-untyped-def]  # any board's
        self.switch = FootSwitch()
        self.full_scale = full_scale(base_name, full_pa)
        self._pins = pins
        self._lines = Lines(base_name)
        self._full_pa = full_pa
        self._fast = Due(PERIOD_MS)
        self._slow = Due(SLOW_MS)
        self._output = self._supply = self._samples = 0
        self._air_asked = False
        self._air_trouble = ""

    def step(self, now_ms: int) -> list[str]:
        """Look at everything once; the arrays to be sent now, oldest first."""
        sent = []
        is_new = self.switch.step(now_ms, self._pins.is_pressed())
        if is_new:
            sent.append(self.presses(now_ms))
        output, supply = self._pins.sample()
        self._output += output
        self._supply += supply
        self._samples += self._pins.SAMPLES
        if self._fast.is_now(now_ms):
            records = [self._cup(), self._pot()]
            records += self._air()
            if self._slow.is_now(now_ms):
                records += self._presses()
                self._ask_air()
            sent.append(self._lines.array(now_ms, records))
        return sent

    def presses(self, now_ms: int) -> str:
        """The press counts alone, for who has just begun to listen."""
        return self._lines.array(now_ms, self._presses())

    def _presses(self) -> list[str]:
        return [f'{{"n":"press-{kind}","v":{count}}}' for kind, count in self.switch.counts.items()]

    def _cup(self) -> str:
        cup_c, trouble = thermocouple(self._pins.frame())
        return fault("cup", trouble) if trouble else f'{{"n":"cup","u":"Cel","v":{cup_c:.2f}}}'

    def _pot(self) -> str:
        """All samples since the last line, averaged; the 5 V supply must read 75 to 98 % of the converter's range.

        Behind the divider 5 V are 91 % of 3.3 V, and 5.25 V, the most a USB port gives (USB 2.0, 7.2.2), 95.5 %.
        """
        whole = self._samples * 65535
        pot_pa, trouble = gauge(self._output, self._supply, self._full_pa, whole * 3 // 4, whole * 49 // 50)
        self._output = self._supply = self._samples = 0
        return fault("pot", trouble) if trouble else f'{{"n":"pot","u":"Pa","v":{pot_pa}}}'

    def _ask_air(self) -> None:
        """Start a conversion; it is read with the next line, 250 ms later, when the chip needs 16."""
        self._air_asked = True
        self._air_trouble = ""
        try:
            self._pins.ask_air()
        except OSError:
            self._air_trouble = "no answer"

    def _air(self) -> list[str]:
        if not self._air_asked:
            return []
        self._air_asked = False
        room_c = rh_pct = 0.0
        trouble = self._air_trouble
        if not trouble:
            try:
                room_c, rh_pct, trouble = air(self._pins.air_bytes())
            except OSError:
                trouble = "no answer"
        if trouble:
            return [fault("room", trouble), fault("rh", trouble)]
        return [f'{{"n":"room","u":"Cel","v":{room_c:.2f}}}', f'{{"n":"rh","u":"%RH","v":{rh_pct:.1f}}}']
