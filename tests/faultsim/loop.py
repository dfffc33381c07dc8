"""An asyncio event loop on a virtual clock, whose order of tasks comes from a seed; no selector, no threads.

Rules.  1. Time stands still while anything is ready and then leaps to the next timer or the world's next event.
2. As in asyncio's own loop a round runs what was ready at its begin: first what came from outside, then due timers.
Plain callbacks keep their order, which asyncio promises; task steps change places among themselves.  3. What would run
in a thread runs whole, a drawn moment later, one after another where the executor has one thread.  4. Tasks and futures
hash by their serial number in the night, so that a set of them is walked in the same order in every run.
"""

from __future__ import annotations

import asyncio
import heapq
from collections.abc import Callable
from concurrent.futures import Executor
from contextvars import Context
from itertools import count
from typing import Any, Protocol


class _Serials:
    """The places in the order of making, from one in each night."""

    def __init__(self) -> None:
        self.next = count(1).__next__


_serials = _Serials()


def begin_serials() -> None:
    """A night begins."""
    _serials.next = count(1).__next__


class SimTask(asyncio.Task[Any]):
    """A task with a place in the order of making."""

    def __init__(self, *args: Any, **kwargs: Any) -> None:
        self.serial = _serials.next()
        super().__init__(*args, **kwargs)

    def __hash__(self) -> int:
        return self.serial


class SimFuture(asyncio.Future[Any]):
    """A future with a place in the order of making."""

    def __init__(self, *args: Any, **kwargs: Any) -> None:
        self.serial = _serials.next()
        super().__init__(*args, **kwargs)

    def __hash__(self) -> int:
        return self.serial


class Outside(Protocol):
    """The world around the loop: its clock, its own events, and what it draws."""

    t: float

    def next_event_t(self) -> float:
        """When something happens outside next [virtual s]; inf: never."""

    def go_to(self, t: float) -> None:
        """Set the clock to t and let everything outside happen that is due."""

    def step(self) -> None:
        """Called before each callback; may raise Crash."""

    def order(self, count: int) -> list[int]:
        """How `count` task steps change places."""

    def thread_s(self, work: Callable[..., Any]) -> float:
        """How long a thread takes over this piece of work [virtual s]."""

    def in_thread(self, function: Callable[..., Any]) -> None:
        """Called before work in a thread; may raise what the machine does to it."""

    def complain(self, context: dict[str, Any]) -> None:
        """An exception that nobody took."""


class SimLoop(asyncio.BaseEventLoop):
    """One life of the process.  Abandon it with `die`."""

    _ready: Any
    _scheduled: list[asyncio.TimerHandle]

    def __init__(self, outside: Outside) -> None:
        super().__init__()
        self._outside = outside
        self._lanes: dict[int, float] = {}
        self._pool_free_s = 0.0
        self.set_task_factory(self._make_task)
        self.set_exception_handler(lambda loop, context: outside.complain(context))

    @staticmethod
    def _make_task(
        loop: asyncio.AbstractEventLoop, coro: Any, *, context: Context | None = None
    ) -> asyncio.Future[Any]:
        return SimTask(coro, loop=loop, context=context)

    def create_future(self) -> asyncio.Future[Any]:
        return SimFuture(loop=self)

    def time(self) -> float:
        return self._outside.t

    def _write_to_self(self) -> None:
        """Nobody sleeps in a selector."""

    def _process_events(self, event_list: Any) -> None:
        """There are none."""

    def _run_once(self) -> None:
        if not self._ready:
            self._leap()
        self._due()
        for handle in self._round():
            if not handle.cancelled():
                self._outside.step()
                handle._run()

    def _leap(self) -> None:
        """To the next moment at which anything happens, here or outside."""
        while self._scheduled and self._scheduled[0].cancelled():
            self._pop()
        next_t = self._scheduled[0].when() if self._scheduled else float("inf")
        t = min(next_t, self._outside.next_event_t())
        if t == float("inf"):
            raise RuntimeError("everything waits for ever")
        self._outside.go_to(t)

    def _due(self) -> None:
        t = self._outside.t
        while self._scheduled and (self._scheduled[0].when() <= t or self._scheduled[0].cancelled()):
            handle = self._pop()
            if not handle.cancelled():
                self._ready.append(handle)

    def _pop(self) -> asyncio.TimerHandle:
        handle = heapq.heappop(self._scheduled)
        handle._scheduled = False  # type: ignore[attr-defined]  # as asyncio's own loop does
        return handle

    def _round(self) -> list[asyncio.Handle]:
        if len(self._ready) == 1:
            return [self._ready.popleft()]
        handles = [self._ready.popleft() for _ in range(len(self._ready))]
        places = [at for at, handle in enumerate(handles) if _task_of(handle) is not None]
        if len(places) > 1:
            steps = [handles[at] for at in places]
            for at, chosen in zip(places, self._outside.order(len(places)), strict=True):
                handles[at] = steps[chosen]
        return handles

    def run_in_executor(  # type: ignore[override]  # asyncio's own is generic in the arguments' types
        self, executor: Executor | None, func: Callable[..., Any], *args: Any
    ) -> asyncio.Future[Any]:
        """Run it whole, later; a cancelled waiter does not stop a thread that has begun."""
        start_s = self.time()
        if executor is not None:
            start_s = max(start_s, self._lanes.get(id(executor), 0.0))
        end_s = start_s + self._outside.thread_s(func)
        if executor is not None:
            self._lanes[id(executor)] = end_s
        else:
            self._pool_free_s = max(self._pool_free_s, end_s)
        return self._in_thread(end_s, func, *args)

    async def aside(self, func: Callable[..., Any], *args: Any) -> Any:
        """As runtime.http.aside.aside."""
        return await self._in_thread(self.time() + self._outside.thread_s(func), func, *args)

    def _in_thread(self, end_s: float, func: Callable[..., Any], *args: Any) -> asyncio.Future[Any]:
        future = self.create_future()

        def work() -> None:
            try:
                self._outside.in_thread(func)
                found = func(*args)
            except BaseException as error:
                if not future.cancelled():
                    future.set_exception(error)
                return
            if not future.cancelled():
                future.set_result(found)

        self.call_at(end_s, work)
        return future

    async def shutdown_default_executor(self) -> None:
        """Wait until the pool's threads are done."""
        await asyncio.sleep(max(0.0, self._pool_free_s - self.time()))

    def die(self) -> list[Any]:
        """Forget all that was to come; returns the coroutines that a kill would have left where they were."""
        left = sorted(asyncio.all_tasks(self), key=lambda task: getattr(task, "serial", 0))
        self._ready.clear()
        self._scheduled.clear()
        for task in left:
            task._log_destroy_pending = False  # type: ignore[attr-defined]  # as asyncio.gather does
        return [task.get_coro() for task in left]


def _task_of(handle: asyncio.Handle) -> asyncio.Task[Any] | None:
    owner = getattr(handle._callback, "__self__", None)  # type: ignore[attr-defined]  # what a handle will call
    return owner if isinstance(owner, asyncio.Task) else None
