"""Restarts a part that fails, with increasing pauses, and reports it, so that it does not end the whole watch.

A supervised part is a coroutine function that runs until cancelled.  When it raises, or is cancelled by something other
than the end of the watch, it is started again after a pause that doubles up to a limit, with jitter so that many parts
do not restart at the same moment.  After a minute without failure the pause is short again.
"""

from __future__ import annotations

import asyncio
import contextlib
import random
import time
from collections.abc import Awaitable, Callable, Collection
from dataclasses import dataclass
from typing import Any

LAST_WORDS_S = 0.9  # of the 5 s a stop may take: the last commit has 2.4, the journal's end one
AGAIN_S = 0.05


@dataclass(frozen=True, slots=True)
class PartState:
    """A part has started (`up`), failed (`why`, restarts in `retry_s`), or ended for good (not up, no retry)."""

    name: str
    up: bool
    why: str = ""
    retry_s: float | None = None


@dataclass(frozen=True, slots=True)
class Backoff:
    """Pauses between restarts [wall s]: first, doubled up to most, each times 1 +- jitter.

    Reset after running for well.
    """

    first_s: float = 0.5
    most_s: float = 30.0
    jitter: float = 0.25
    well_s: float = 60.0

    def pause_s(self, failures: int, luck: float) -> float:
        """The pause after this many failures in a row (1 or more) [wall s].

        min(most_s, min(most_s, first_s 2^(failures - 1)) (1 + jitter (2 luck - 1))); luck: a random number in 0..1.

        >>> Backoff().pause_s(4, luck=0.5)
        4.0
        """
        grown_s = min(self.most_s, self.first_s * 2.0 ** min(failures - 1, 30))
        return min(self.most_s, grown_s * (1.0 + self.jitter * (2.0 * luck - 1.0)))


async def keep_running(
    name: str,
    factory: Callable[[], Awaitable[None]],
    on_state: Callable[[PartState], None],
    *,
    backoff: Backoff = Backoff(),
    luck: Callable[[], float] = random.random,
    sleep: Callable[[float], Awaitable[None]] = asyncio.sleep,
    monotonic: Callable[[], float] = time.monotonic,
) -> None:
    """Run `factory()` repeatedly until it returns by itself; each change is reported through `on_state`.

    Raises nothing but the CancelledError of its own task; exceptions from `on_state` are dropped, since reporting a
    failure must not cause one.
    """
    failures = 0
    while True:
        _tell(on_state, PartState(name, True))
        since_s = monotonic()
        why = await _failure(factory)
        if why is None:
            _tell(on_state, PartState(name, False, "ended"))
            return
        failures = 1 if monotonic() - since_s >= backoff.well_s else failures + 1
        pause_s = backoff.pause_s(failures, luck())
        _tell(on_state, PartState(name, False, why, pause_s))
        await sleep(pause_s)


async def end(tasks: Collection[asyncio.Task[Any]], within_s: float = LAST_WORDS_S) -> None:
    """Cancel these tasks; one that has not ended within_s later [wall s] is cancelled again until it has.

    What it still says as it ends may wait for somebody who doesn't answer.
    """
    left, wait_s = list(tasks), within_s
    while left:
        for task in left:
            task.cancel()
        await asyncio.wait(left, timeout=wait_s)
        left, wait_s = [task for task in left if not task.done()], AGAIN_S


def _tell(on_state: Callable[[PartState], None], state: PartState) -> None:
    with contextlib.suppress(Exception):
        on_state(state)


async def _failure(factory: Callable[[], Awaitable[None]]) -> str | None:
    """Why one run failed; None when it returned.  Only a cancellation of this very task passes through."""
    task = asyncio.current_task()
    try:
        await factory()
    except asyncio.CancelledError:
        if task is None or task.cancelling():
            raise
        return "cancelled from inside"
    except (Exception, SystemExit) as error:  # a plug-in calling exit() must not end the watch either
        return describe(error)
    return None


def describe(error: BaseException) -> str:
    """One line about an error; for a group, about its first."""
    while isinstance(error, BaseExceptionGroup):
        error = error.exceptions[0]
    text = " ".join(str(error).split())
    kind = type(error).__name__
    return f"{kind}: {text}" if text else kind
