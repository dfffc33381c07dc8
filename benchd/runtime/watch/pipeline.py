"""The pipeline from an input to an alert: mailbox -> journal -> engine thread -> gate -> bulletin.

One reader takes the mailbox in batches.  A batch is handed to the saver and stepped in the engine's own thread (the
event loop never steps it), and its events go to the gate; readings and cards are posted at once.  News about the
journal and the gaps after a restart or a pause are inserted at their place in the order.  A failure of this code or of
the engine ends `run` with the error; nothing else does.
"""

from __future__ import annotations

import asyncio
import time
from collections.abc import Callable, Sequence
from concurrent.futures import ThreadPoolExecutor
from functools import partial
from typing import Any

from benchd.core.model import Card, Gap, Input
from benchd.errors import JournalError
from benchd.runtime.bulletin import Bulletin, Posted
from benchd.runtime.contracts import Health
from benchd.runtime.health import note_alarms
from benchd.runtime.journal.age.housekeeping import housekeep
from benchd.runtime.journal.age.keep import Keep
from benchd.runtime.journal.journal import Journal
from benchd.runtime.journal.outbox import JournalOutbox
from benchd.runtime.journal.rows import Reached
from benchd.runtime.journal.seal import MinuteBook
from benchd.runtime.watch.mailbox import Advance, Mailbox, pause_first
from benchd.runtime.watch.recovery import (
    EngineMaker,
    Recovered,
    Recovery,
    first_number,
    is_still_worth_telling,
)
from benchd.runtime.watch.saver import Saver, Timing
from benchd.runtime.watch.stepping import Done, EngineLike, Work, step_all

RESTARTED = "restart"
JOURNAL_FAILING = "journal-failing"
LONGEST_START_S = 1.5  # of a start while a stop is wanted
IDLE_TAIL = 2000  # inputs after an idle bench's checkpoint: a start steps them again in about a second


class Pipeline:
    """The watch itself.

    Make it, `await run()`, `close()`: waiting inputs are stepped, saved and published.

    `now` is bench time; `wall` unix time (restarts are counted on it).  The journal need not be open: it is opened
    here, and if it cannot be, the watch continues without one and says so.  The caller closes it.
    """

    def __init__(
        self,
        mailbox: Mailbox,
        journal: Journal,
        maker: EngineMaker,
        bulletin: Bulletin,
        outbox: JournalOutbox,
        health: Health,
        now: Callable[[], float],
        *,
        timing: Timing | None = None,
        wall: Callable[[], float] = time.time,
        on_ready: Callable[[Recovered], None] = lambda recovered: None,
        keep: Callable[[], tuple[Keep, Sequence[str]]] = lambda: (Keep(), ()),
    ) -> None:
        self._mailbox, self._journal, self._maker, self._bulletin = mailbox, journal, maker, bulletin
        self._outbox, self._health, self._now, self._wall, self._on_ready = outbox, health, now, wall, on_ready
        self._keep = keep
        self.saver = Saver(journal, bulletin, outbox, health, timing, nudge=self._nudge)
        self._thread = ThreadPoolExecutor(1, thread_name_prefix="engine")
        self._engine: EngineLike | None = None
        self._seq, self._stepped, self._t = 0, 0, 0.0
        self._minutes = MinuteBook()
        self._frozen_s, self._frozen_seq = float("-inf"), 0
        self._missed: tuple[float, str] | None = None
        self._recovery: Recovery
        self._is_begun, self._is_well = False, False
        self._starting: asyncio.Task[None] | None = None

    @property
    def is_busy(self) -> bool:
        """Whether a pour or load was open after the last step."""
        return self.saver.is_busy

    @property
    def seq(self) -> int:
        """The number of the last input stepped."""
        return self._stepped

    @property
    def t(self) -> float:
        """The bench time stepped to [unix s].  Safe to ask from any thread."""
        return self._t

    async def run(self) -> None:
        """Recover, then step inputs until the mailbox is closed and empty.

        The engine's exception is raised in an ExceptionGroup, after all inputs up to it were saved.
        """
        try:
            if not await self._has_started():
                return
            async with asyncio.TaskGroup() as group:
                group.create_task(self.saver.run(), name="journal")
                work = housekeep(self._journal, self._now, self._is_hindered, self._keep, self._health)
                sweeper = group.create_task(work, name="retention")
                try:
                    await self._feed()
                    await self._finish()
                except Exception:  # whatever a watcher raised: the next start must not replay into it for ever
                    await self._recovery.note_failed()
                    raise
                finally:
                    sweeper.cancel()
                    self.saver.close()
        finally:
            self._thread.shutdown(wait=False, cancel_futures=True)

    async def _in_thread(self, function: Callable[..., Any], *values: Any) -> Any:
        return await asyncio.get_running_loop().run_in_executor(self._thread, partial(function, *values))

    def _nudge(self) -> None:
        self._mailbox.put(Advance(self._now()))

    # ---------------------------------------------------------------------------------------------------- the start

    def close(self) -> None:
        """Accept no more inputs, which ends `run`; a start that takes long on a slow disk is left off."""
        self._mailbox.close()
        if self._starting is not None:
            asyncio.get_running_loop().call_later(LONGEST_START_S, self._starting.cancel)

    async def _has_started(self) -> bool:
        """Start; False if that was left off because the mailbox was closed."""
        self._starting = asyncio.create_task(self._start(), name="start")
        try:
            await self._starting
        except asyncio.CancelledError:
            if not self._mailbox.closed:
                raise
            return False
        finally:
            self._starting = None
        return True

    async def _start(self) -> None:
        try:
            await self._journal.open()
            await self._outbox.load(self._journal)
        except JournalError as error:
            self._outbox.start_ids_at(first_number(self._now()))
            self.saver.in_trouble(str(error))
        of_file = list(self._journal.notices)
        self._journal.notices.clear()
        for why in of_file:
            self.saver.trouble.notice(why)
        self.saver.follow_generation()
        self._recovery = Recovery(self._journal, self._maker, self._now, self._wall())
        found = await self._recovery.recover(self._in_thread)
        self._engine, self._seq, self._t = found.engine, found.seq, found.since_t
        self._stepped = found.seq
        self._is_begun = found.engine.now > 0.0
        self._mailbox.start_at(found.since_t)
        self._take_up(found)
        found.notices[:0] = of_file  # the code that started the watch needs them too
        self._on_ready(found)

    def _take_up(self, found: Recovered) -> None:
        """Publish what was never saved, publish the state, and remember the time away for the Gap."""
        engine = found.engine
        self.saver.is_busy, self.saver.is_pouring = engine.is_busy, engine.is_pouring
        self.saver.trouble.is_told = any(alert.alert == JOURNAL_FAILING and alert.active for alert in found.standing)
        standing = (*found.standing, *found.states)
        self._bulletin.post([Posted(effect) for effect in standing])  # a page may listen already
        now = self._now()
        for event in found.produced:
            is_told = not is_still_worth_telling(event.effect, now)
            self.saver.add_event(event.number, event.seq, event.effect, is_told=is_told)
        self.saver.add_state(Reached(self._seq, max(engine.now, self._t), engine.told), None, ())
        for why in found.notices:
            self.saver.trouble.notice(why)
        self.saver.want_checkpoint()
        if found.since_t > 0.0:
            self._missed = (found.since_t, f"{RESTARTED} without replay" if found.how == "anew" else RESTARTED)

    # --------------------------------------------------------------------------------------------------- the stream

    async def _feed(self) -> None:
        while True:
            batch: Sequence[Input | Advance] = await self._mailbox.take()
            if not batch:
                return
            self._health.dropped["mailbox"] = self._mailbox.dropped
            if not self._is_begun:
                batch = await self._begin(batch)
            if self._missed is not None and self._is_begun:
                since_t, why = self._missed
                batch, self._missed = [Gap(batch[0].t if batch else self._t, since_t, why), *batch], None
            news = self.saver.take_news(self._t) if self._is_begun else []
            if news:
                await self._pass(news, is_news=True)
            if batch:
                await self._pass(pause_first(batch))
            if self._is_begun and not self._is_well:
                self._is_well = True
                await self._recovery.note_well()

    async def _begin(self, batch: Sequence[Input | Advance]) -> Sequence[Input | Advance]:
        """Step a new engine's first input, which is its context; returns the rest of the batch.

        Before it the engine does not know its bench: an alert raised then would belong to another bench, and never end.
        """
        first = next((at for at, item in enumerate(batch) if not isinstance(item, Advance)), None)
        if first is None:
            return ()
        await self._pass(batch[first : first + 1])
        self._is_begun = True
        return batch[first + 1 :]

    async def _pass(self, batch: Sequence[Input | Advance], is_news: bool = False) -> None:
        """Pass one batch through journal, engine and gate.

        News about the journal is saved together with its checkpoint.
        """
        numbered = self._number(batch)
        if not is_news:
            self._save(numbered)
        due = self._is_checkpoint_due() or self.saver.wants_checkpoint
        engine = self._engine
        assert engine is not None  # `_start` made it
        done: Done = await self._in_thread(step_all, engine, Work(numbered, due))
        self._t, self._stepped = done.reached.t, done.reached.seq
        if is_news:
            self._save(numbered)
        self._deliver(done)

    def _is_checkpoint_due(self) -> bool:
        """Every half minute while busy.

        When idle, as soon as a start would step ten minutes or IDLE_TAIL inputs again.
        """
        timing, since_s = self.saver.timing, time.monotonic() - self._frozen_s
        is_short = not self.saver.is_busy and self._seq - self._frozen_seq < IDLE_TAIL
        return since_s >= (timing.idle_checkpoint_s if is_short else timing.checkpoint_s)

    async def _finish(self) -> None:
        """Save the last state and the unfinished minutes: the next start continues from here."""
        if self._seq and self._engine is not None:
            work = Work([(self._seq, Advance(self._t))], True)
            self._deliver(await self._in_thread(step_all, self._engine, work))
            self.saver.add_state(Reached(self._seq, self._t, self._engine.told), None, self._minutes.rest())

    def _number(self, batch: Sequence[Input | Advance]) -> list[tuple[int, Input | Advance]]:
        numbered = []
        for item in batch:
            if not isinstance(item, Advance):
                self._seq += 1
            numbered.append((self._seq, item))
        return numbered

    def _save(self, numbered: Sequence[tuple[int, Input | Advance]]) -> None:
        for seq, item in numbered:
            if not isinstance(item, Advance):
                self.saver.add_input(seq, item)

    def _deliver(self, done: Done) -> None:
        self._health.moved["engine"] = time.monotonic()
        self.saver.is_busy, self.saver.is_pouring = done.is_busy, done.is_pouring
        for event in done.out.events:
            self.saver.add_event(event.number, event.seq, event.effect)
        if done.checkpoint is not None:
            self._frozen_s, self._frozen_seq = time.monotonic(), done.checkpoint.seq
        elif done.unkept:
            self._frozen_s, self._frozen_seq = time.monotonic(), done.reached.seq
            self._health.last_error = f"checkpoint: {done.unkept}"
        self.saver.add_state(done.reached, done.checkpoint, self._minutes.add_all(done.out.states))
        note_alarms(self._health, (effect for effect in done.out.states if isinstance(effect, Card)))
        self._bulletin.post_states(done.out.states)

    # -------------------------------------------------------------------------------------------------- housekeeping

    def _is_hindered(self) -> bool:
        return self.saver.is_busy or bool(self.saver.trouble)
