"""The world outside the process: the clocks, the faults in force, what happens when, and the trace of it all."""

from __future__ import annotations

import hashlib
import heapq
import random
from collections.abc import Callable
from itertools import count
from typing import Any

from faultsim.faults import Fault

BEGIN_S = 1000.0  # of the virtual monotonic clock
BENCH_T = 1_767_602_340.0  # the night's begin [unix s]
MOST_STEPS = 1_500_000  # callbacks in one night
MOST_AT_ONCE = 100_000  # callbacks without a pause: something spins
HANGS = {"send": "push-hangs", "ping": "monitor-hangs"}
CALLBACK_S = 2e-6  # a callback takes a moment, or a wait that ends an ulp early would be repeated for ever


class Crash(BaseException):
    """The process ends here, as it would by a kill or a power cut."""

    def __init__(self, how: Fault) -> None:
        super().__init__(how.kind)
        self.how = how


class World:
    """One night: `t` is virtual monotonic time [s].

    `violations` are the broken promises found so far, each one line.
    """

    def __init__(self, seed: int, faults: list[Fault]) -> None:
        self.seed, self.faults = seed, faults
        self.t = BEGIN_S
        self.wall_offset_s = BENCH_T - BEGIN_S
        self.violations: list[str] = []
        self.happened: list[Fault] = []
        self.steps, self._at_once = 0, 0
        self.ends: list[Fault] = []
        self.pause_s = 0.0
        self._order, self._threads = self.stream("order"), self.stream("threads")
        self._crash_rng = self.stream("crash")
        self._crash: tuple[int, Fault] | None = None
        self._events: list[tuple[float, int, Callable[[], None]]] = []
        self._number = count()
        self._digest = hashlib.sha256()
        self.trace: list[str] | None = None
        self._last_end_s = max((fault.until_s for fault in faults), default=0.0)
        self._on: dict[str, list[Fault]] = {}
        for fault in faults:
            if fault.for_s:
                self.at(BEGIN_S + fault.at_s, lambda fault=fault: self._begin(fault))  # type: ignore[misc]
                self.at(BEGIN_S + fault.until_s, lambda fault=fault: self._end(fault))  # type: ignore[misc]

    def stream(self, name: str) -> random.Random:
        """A stream of draws of its own: leaving out one fault leaves the others' draws as they were."""
        return random.Random(f"{self.seed}/{name}")

    # ------------------------------------------------------------------------------------------------------ the clocks

    def monotonic(self) -> float:
        """The process's monotonic clock [s]."""
        return self.t

    def wall(self) -> float:
        """The machine's wall clock [unix s]; steps with `clock-steps`."""
        return self.t + self.wall_offset_s

    @property
    def since_s(self) -> float:
        """Time since the night's begin [s]."""
        return self.t - BEGIN_S

    @property
    def is_over(self) -> bool:
        """Whether the last fault has ended."""
        return self.since_s > self._last_end_s

    @property
    def calm_s(self) -> float:
        """How long ago the last fault ended [s]; negative before."""
        return self.since_s - self._last_end_s

    # ------------------------------------------------------------------------------------------------------ the faults

    def _begin(self, fault: Fault) -> None:
        self._on.setdefault(fault.kind, []).append(fault)
        self.happens(fault)

    def _end(self, fault: Fault) -> None:
        self._on[fault.kind].remove(fault)
        self.note("over", fault.kind)

    def happens(self, fault: Fault) -> None:
        """Record that a fault really took place."""
        self.happened.append(fault)
        self.note("fault", fault.kind)

    def on(self, kind: str) -> Fault | None:
        """The fault of this kind in force now."""
        found = self._on.get(kind)
        return found[0] if found else None

    def all_on(self, kind: str) -> list[Fault]:
        """All faults of this kind in force now."""
        return self._on.get(kind, [])

    def crash_soon(self, fault: Fault) -> None:
        """End the process within the next callbacks: at any await."""
        self._crash = self.steps + 1 + int(self._crash_rng.expovariate(0.05)), fault

    # ------------------------------------------------------------------------------------------------------ the events

    def at(self, t: float, what: Callable[[], None]) -> None:
        """Let something happen at t [virtual s]."""
        heapq.heappush(self._events, (t, next(self._number), what))

    def after(self, s: float, what: Callable[[], None]) -> None:
        """Let something happen in s seconds."""
        self.at(self.t + s, what)

    def next_event_t(self) -> float:
        """When something happens outside next [virtual s]."""
        return self._events[0][0] if self._events else float("inf")

    def go_to(self, t: float) -> None:
        """Set the clock, and let everything outside happen that is due."""
        if t > self.t:
            self.t, self._at_once = t, 0
        if self.pause_s:  # the process stood still: all of it comes at once
            self.t, self.pause_s = self.t + self.pause_s, 0.0
        while self._events and self._events[0][0] <= self.t:
            heapq.heappop(self._events)[2]()

    def sleep(self, s: float) -> None:
        """Let s seconds pass while no process runs."""
        end_s = self.t + s
        while self.next_event_t() <= end_s:
            self.go_to(self.next_event_t())
        self.t = max(self.t, end_s)

    # ---------------------------------------------------------------------------------------------------- for the loop

    def step(self) -> None:
        """Before each callback of the process."""
        self.steps += 1
        self._at_once += 1
        self.t += CALLBACK_S
        if self._crash is not None and self.steps >= self._crash[0]:
            how, self._crash = self._crash[1], None
            raise Crash(how)
        if self.steps > MOST_STEPS or self._at_once > MOST_AT_ONCE:
            self.broken("spins", f"{self.steps} callbacks, {self._at_once} without a pause")
            raise Crash(Fault(self.since_s, "spins"))

    def forget_crash(self) -> None:
        """A new process."""
        self._crash, self._at_once = None, 0

    def order(self, count: int) -> list[int]:
        """How task steps change places; half of the time they don't."""
        places = list(range(count))
        if self._order.random() < 0.5:
            self._order.shuffle(places)
        return places

    def thread_s(self, work: Callable[..., Any]) -> float:
        """How long a thread takes [s]: mostly a millisecond, at times much longer; a request that hangs as it ends."""
        luck = self._threads.random()
        asked = getattr(work, "__name__", "")
        hangs = self.on(HANGS[asked]) if asked in HANGS else None
        if hangs is not None:
            return max(0.0, hangs.until_s - self.since_s)
        return 0.0005 + 0.002 * luck if luck < 0.95 else 0.05 * self._threads.random()

    def in_thread(self, function: Callable[..., Any]) -> None:
        """Refuse memory to work in a thread, at times, while that fault is on."""
        if self.on("memory-refused") and self._threads.random() < 0.1:
            self.note("memory", "refused")
            raise MemoryError

    def complain(self, context: dict[str, Any]) -> None:
        """An exception that nobody took breaks a promise."""
        error = context.get("exception")
        if not isinstance(error, MemoryError):
            self.broken("nobody took", f"{context.get('message')}: {type(error).__name__}: {error}")

    # ------------------------------------------------------------------------------------------------------- the trace

    def note(self, *what: object) -> None:
        """Add to the trace, of which only the hash is kept unless `trace` is a list."""
        text = f"{self.since_s:.6f} " + " ".join(map(str, what))
        self._digest.update(text.encode())
        if self.trace is not None:
            self.trace.append(text)

    @property
    def digest(self) -> str:
        """The hash of everything that happened."""
        return self._digest.hexdigest()

    def broken(self, promise: str, how: str) -> None:
        """Record a broken promise, once for each kind of it."""
        self.note("BROKEN", promise, how)
        if not any(text.startswith(f"{promise}:") for text in self.violations):
            self.violations.append(f"{promise}: {how} (at {self.since_s:.2f} s)")
