"""A clock that stands still unless somebody sleeps.  Its ticks wrap five seconds after the start, as real ones do."""

PERIOD = 1 << 30
FIRST = PERIOD - 5_000
_now_us = 0


def ticks_ms() -> int:
    return (FIRST + _now_us // 1000) % PERIOD


def ticks_diff(late: int, early: int) -> int:
    return (late - early + PERIOD // 2) % PERIOD - PERIOD // 2


def monotonic_ns() -> int:
    return 77_000_000_000 + _now_us * 1000


def sleep_ms(ms: int) -> None:
    global _now_us
    _now_us += ms * 1000


def sleep(s: float) -> None:
    sleep_ms(round(s * 1000))
