"""The write-behind buffer and the gate: decides what is written when, and when an event may be published.

Rules:

1. An event (finding, alert transition, utterance, mark answer) is published once the commit that holds it and its
   causes has returned; it requests that commit at once.  Without events there is a commit each second until the kick,
   every two while a pour or load is open, every 15 s idle: each costs a card two pages, of lines and of the log's end.
2. A P1 that has waited a quarter of a second is published first, flagged unsaved; the rest keeps waiting.
3. When the journal is in trouble (an error, or a commit that hangs) everything is published at once, flagged unsaved.
   Rows wait in memory; past the limit inputs are only stepped and counted, and a Gap and a checkpoint close the hole
   later.
4. Only what a returned commit holds counts as saved: anything else published carries `unsaved` and the reason.  The
   consequences of an input that was not kept are unsaved too, until a checkpoint holds it.  An event published unsaved
   is not published again when it is saved.

All of it runs on the event loop and never waits for the disk, except `run`.
"""

from __future__ import annotations

import asyncio
import contextlib
import time
from collections.abc import Callable, Sequence
from dataclasses import dataclass

from benchd.core.model import Alert, Input, Standing, Table, Utterance
from benchd.errors import JournalError
from benchd.runtime.bulletin import Bulletin, Posted
from benchd.runtime.contracts import Health
from benchd.runtime.journal.journal import Journal
from benchd.runtime.journal.outbox import JournalOutbox
from benchd.runtime.journal.rows import Checkpoint, Event, MinuteRow, Reached, Writes
from benchd.runtime.watch.tell_gate import Batch, TellGate, Waiting
from benchd.runtime.watch.trouble import Patience, Trouble

SLOW = "the log is slow"
NOT_KEPT = "the log could not be written for so long that inputs were not kept"


@dataclass(frozen=True, slots=True)
class Timing:
    """How long things may take [wall s], and how much may wait in memory [bytes]."""

    pouring_commit_s: float = 1.0
    busy_commit_s: float = 2.0
    idle_commit_s: float = 15.0
    early_s: float = 0.25
    stuck_s: float = 2.0
    retry_s: float = 0.5
    retry_most_s: float = 5.0
    buffer_bytes: int = 8 * 2**20
    checkpoint_s: float = 60.0
    idle_checkpoint_s: float = 600.0
    last_commit_s: float = 2.4  # of the 5 s a stop may take; the outlets' last words have 0.9, the journal's one


class Saver:
    """The write-behind buffer and the gate."""

    def __init__(
        self,
        journal: Journal,
        bulletin: Bulletin,
        outbox: JournalOutbox,
        health: Health,
        timing: Timing | None = None,
        nudge: Callable[[], None] = lambda: None,
    ) -> None:
        self._journal, self._outbox, self._health = journal, outbox, health
        self._gate = TellGate(bulletin, outbox)
        self.timing = timing if timing is not None else Timing()
        self._nudge = nudge
        self._next, self._flight = Batch(), Batch()
        self._wanted, self._closing = asyncio.Event(), asyncio.Event()
        self._limit: asyncio.Timeout | None = None
        self._oldest_s: float | None = None
        self._standing: dict[tuple[str, str], tuple[int, Input]] = {}
        self._generation = journal.generation
        self.is_busy = self.is_pouring = False
        self.trouble = Trouble(health, nudge)
        self._checkpoint_due = False

    # ----------------------------------------------------------------------------------------------- from the pipeline

    def add_input(self, seq: int, item: Input) -> None:
        """Keep one input for the next commit, or count it when memory is full."""
        if isinstance(item, Standing):
            self._standing[(type(item).__name__, item.hash if isinstance(item, Table) else "")] = (seq, item)
        if self.trouble.lost or self._is_full(1):
            self.trouble.lose(item.t)
            return
        self._next.writes.add_input(seq, item)
        self._stamp()

    def add_event(self, number: int, seq: int, effect: Event, is_told: bool = False) -> None:
        """Put one event at the gate; with `is_told` it is saved without being published."""
        rows = [] if is_told else self._outbox.rows_for(effect)
        is_kept = not self._is_full(2)
        if is_kept:
            self._next.writes.add_effect(number, seq, effect)
        for row in rows:
            self._next.writes.add_outbox(row)
        waiting = Waiting(Posted(effect, number), rows, is_told)
        self._stamp()
        self._wanted.set()
        unsaved_why = self.trouble.why or (NOT_KEPT if self.trouble.lost or not is_kept else "")
        if unsaved_why:
            self._gate.tell([waiting], unsaved_why)
            return
        self._next.waiting.append(waiting)
        if isinstance(effect, Alert | Utterance) and effect.priority == 1:
            asyncio.get_running_loop().call_later(self.timing.early_s, self._gate.tell, [waiting], SLOW)

    def add_state(self, reached: Reached, checkpoint: Checkpoint | None, minutes: Sequence[MinuteRow]) -> None:
        """Record how far the engine is, and with it a checkpoint and finished minutes."""
        writes = self._next.writes
        writes.reached = reached
        if not self._is_full(2):
            writes.minutes += minutes
            writes.size += 64 * len(minutes)
        if checkpoint is not None and not self.trouble.lost:
            old = len(writes.checkpoint.body) if writes.checkpoint else 0
            writes.checkpoint = checkpoint
            writes.size += len(checkpoint.body) - old
            if self._checkpoint_due:
                self._wanted.set()  # a new start or a closed hole: a crash must not fall back to the state before
            self._checkpoint_due = False
        self._stamp()

    def take_news(self, t: float) -> list[Input]:
        """Inputs from the journal itself: it failed, came back, and what it missed.  Step them next."""
        if self.trouble.lost and not self.trouble and not self._is_full(0.5):
            self._keep_standing()
            return [self.trouble.close_hole(t), *self.trouble.news(t)]
        return self.trouble.news(t)

    @property
    def has_unsaid(self) -> bool:
        """Does a word wait at the gate?  Safe to ask from any thread."""
        waiting = (*self._flight.waiting, *self._next.waiting)
        return any(not entry.is_told and isinstance(entry.posted.effect, Utterance) for entry in waiting)

    @property
    def wants_checkpoint(self) -> bool:
        """Whether the engine's state must be written with the next batch."""
        return self._checkpoint_due and not self.trouble.lost

    def want_checkpoint(self) -> None:
        """Ask for a checkpoint with the next batch."""
        self._checkpoint_due = True

    def follow_generation(self) -> None:
        """Take the present file as the one that the watch starts with."""
        self._generation = self._journal.generation

    # ------------------------------------------------------------------------------------------------------- the gate

    def in_trouble(self, why: str) -> None:
        """The journal cannot be written: publish everything that waits, unsaved."""
        self.trouble.begin(why)
        self._gate.tell(self._flight.waiting + self._next.waiting, self.trouble.why)
        self._next.waiting.clear()

    def _is_full(self, times: float) -> bool:
        return self._next.writes.size + self._flight.writes.size > times * self.timing.buffer_bytes

    def _stamp(self) -> None:
        if self._oldest_s is None:
            self._oldest_s = time.monotonic()

    # --------------------------------------------------------------------------------------------------- the commits

    async def run(self) -> None:
        """Commit when due, until `close`; then, or when cancelled, once more, in bounded time even on a hung disk."""
        try:
            async with asyncio.timeout(None) as self._limit:
                await self._commit_until_closed()
                await self._flush_all()
        except TimeoutError:
            self.in_trouble("stopped before everything was saved")
        except asyncio.CancelledError:
            with contextlib.suppress(TimeoutError):
                async with asyncio.timeout(self.timing.last_commit_s):
                    await self._flush_all()
            raise

    async def _commit_until_closed(self) -> None:
        pause_s = self.timing.retry_s
        while not self._closing.is_set():
            await self._due()
            if await self._flush():
                pause_s = self.timing.retry_s
                await self._after_commit()
            else:
                await _wait(self._closing, pause_s)
                pause_s = min(pause_s * 2, self.timing.retry_most_s)

    async def _after_commit(self) -> None:
        await self._journal.fold_if_large()
        if not self._outbox.is_loaded and self._journal.is_open:
            with contextlib.suppress(JournalError):
                await self._outbox.load(self._journal)

    def close(self) -> None:
        """Nothing more will be added: `run` commits what is left and returns."""
        self._closing.set()
        self._wanted.set()
        if self._limit is not None:
            self._limit.reschedule(asyncio.get_running_loop().time() + self.timing.last_commit_s)

    async def _due(self) -> None:
        """Wait until a commit is wanted: at once for an event, else some seconds after the oldest row."""
        while not self._wanted.is_set():
            pours_s, busy_s = self.timing.pouring_commit_s, self.timing.busy_commit_s
            every_s = pours_s if self.is_pouring else busy_s if self.is_busy else self.timing.idle_commit_s
            now_s = time.monotonic()
            lag_s = now_s - self._oldest_s if self._oldest_s is not None else 0.0
            self._health.journal_lag_s = lag_s
            if not self.trouble:
                self._health.moved["journal"] = now_s
            if self._oldest_s is not None and lag_s >= every_s:
                return
            await _wait(self._wanted, min(every_s - lag_s, pours_s))

    async def _flush(self) -> bool:
        """Commit everything waiting and open the gate.

        False when it failed: everything is kept for the next commit.
        """
        self._wanted.clear()
        self._flight, self._next = self._next, Batch()
        self._flight.writes = self._flight.writes.followed_by(self._outbox.writes)
        self._outbox.writes = Writes()
        since_s, self._oldest_s = self._oldest_s, None
        if not self._flight.writes:
            return True
        if not await self._has_written(since_s):
            return False
        done, self._flight = self._flight, Batch()
        self._outbox.note_saved(row[0] for row in done.writes.outbox)
        self._gate.tell(done.waiting)
        self.trouble.end()
        self._follow_file()
        return True

    async def _has_written(self, since_s: float | None) -> bool:
        """Write what is under way, the oldest of it waiting since since_s; False when it failed and is kept."""
        alarm = Patience(self.timing.stuck_s, lambda: self.in_trouble("a commit hangs"))
        started_s = time.monotonic()
        try:
            await self._journal.write(self._flight.writes)
        except JournalError as error:
            self._keep(since_s)
            self.in_trouble(str(error))
            return False
        except BaseException:  # stopping: the last commit includes it
            self._keep(since_s)
            raise
        finally:
            alarm.cancel()
        self._health.commit_ms = (time.monotonic() - started_s) * 1e3
        self._health.moved["journal"] = time.monotonic()
        return True

    def _keep(self, since_s: float | None) -> None:
        """Put what could not be written back in front of what came later."""
        self._next, self._flight = self._flight.followed_by(self._next), Batch()
        self._oldest_s = since_s if since_s is not None else self._oldest_s

    def _follow_file(self) -> None:
        """A new file begun during the watch needs the context in force and a checkpoint; and it must be reported."""
        for why in self._journal.notices:
            self.trouble.notice(why)
        self._journal.notices.clear()
        if self._journal.generation == self._generation:
            return
        self._generation = self._journal.generation
        self._keep_standing()
        self._nudge()

    def _keep_standing(self) -> None:
        """Write the context in force (again), and ask for a checkpoint: what follows must be readable."""
        for seq, item in self._standing.values():
            self._next.writes.add_input(seq, item)
        self._checkpoint_due = True
        self._stamp()

    async def _flush_all(self) -> None:
        while self._next.writes or self._outbox.writes:
            if not await self._flush():
                await asyncio.sleep(0.05)


async def _wait(event: asyncio.Event, at_most_s: float) -> None:
    try:
        async with asyncio.timeout(max(0.0, at_most_s)):
            await event.wait()
    except TimeoutError:
        return
