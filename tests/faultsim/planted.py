"""Bugs planted on purpose, to see that the simulator finds them: each a change to one method of the watch."""

from __future__ import annotations

import contextlib
from collections.abc import Callable, Iterator, Sequence
from typing import Any
from unittest.mock import patch

from benchd.core.findings import LoadOpened
from benchd.core.model import Alert, Input, Mark
from benchd.outlets.mqtt import MqttOutlet
from benchd.outlets.speaker import SpeakerOutlet
from benchd.runtime.contracts import OutboxRow
from benchd.runtime.journal.journal import Journal
from benchd.runtime.journal.outbox import JournalOutbox
from benchd.runtime.mqtt.outbox_pump import OutboxPump
from benchd.runtime.watch.pipeline import Pipeline
from benchd.runtime.watch.saver import Saver
from benchd.runtime.watch.tell_gate import TellGate


@contextlib.contextmanager
def commit_after_telling() -> Iterator[None]:
    """The gate opens as the commit begins, not when it has returned."""
    written = Saver._has_written

    async def early(self: Saver, since_s: float | None) -> bool:
        self._gate.tell(self._flight.waiting)
        return await written(self, since_s)

    with patch.object(Saver, "_has_written", early):
        yield


@contextlib.contextmanager
def lost_retry() -> Iterator[None]:
    """A message whose acknowledgement never came counts as delivered."""
    send = OutboxPump._send

    async def once(self: OutboxPump, row: OutboxRow) -> bool | None:
        done = await send(self, row)
        if done is None:
            await self._outbox.delivered(row.id)
        return done

    with patch.object(OutboxPump, "_send", once):
        yield


@contextlib.contextmanager
def swapped_order() -> Iterator[None]:
    """Two events of one commit are told the wrong way round."""
    tell = TellGate.tell

    def swapped(self: TellGate, waiting: Sequence[Any], unsaved_why: str = "") -> None:
        tell(self, list(reversed(waiting)), unsaved_why)

    with patch.object(TellGate, "tell", swapped):
        yield


@contextlib.contextmanager
def leak_of_a_load() -> Iterator[None]:
    """One entry more is kept for each load."""
    deliver = Pipeline._deliver

    def leaking(self: Pipeline, done: Any) -> None:
        for event in done.out.events:
            if isinstance(event.effect, LoadOpened):
                self._health.delivered[f"load {event.number}"] = event.effect.t
        deliver(self, done)

    with patch.object(Pipeline, "_deliver", leaking):
        yield


@contextlib.contextmanager
def unsaved_mark() -> Iterator[None]:
    """A mark is stepped and answered, and never written."""
    add = Saver.add_input

    def forgetful(self: Saver, seq: int, item: Input) -> None:
        if not isinstance(item, Mark):
            add(self, seq, item)

    with patch.object(Saver, "add_input", forgetful):
        yield


@contextlib.contextmanager
def lost_batch() -> Iterator[None]:
    """What a failed commit held is not kept for the next."""
    keep = Saver._keep

    def dropped(self: Saver, since_s: float | None) -> None:
        self._flight.writes.effects.clear()
        keep(self, since_s)

    with patch.object(Saver, "_keep", dropped):
        yield


@contextlib.contextmanager
def outbox_forgotten() -> Iterator[None]:
    """A restart does not read the messages that the run before left."""

    async def nothing(self: JournalOutbox, journal: Any) -> None:
        self.is_loaded = True

    with patch.object(JournalOutbox, "load", nothing):
        yield


@contextlib.contextmanager
def stuck_lamp() -> Iterator[None]:
    """The lamp is shown once and never again."""
    lamp = SpeakerOutlet._lamp

    def once(self: SpeakerOutlet) -> list[Any]:
        return lamp(self) if self._shown is None else []

    with patch.object(SpeakerOutlet, "_lamp", once):
        yield


@contextlib.contextmanager
def alarm_left_standing() -> Iterator[None]:
    """The end of an alarm is not published as a state."""
    queue = MqttOutlet._queue

    def half(self: MqttOutlet, effect: Any, warning: Any) -> None:
        if not isinstance(effect, Alert) or effect.active:
            queue(self, effect, warning)

    with patch.object(MqttOutlet, "_queue", half):
        yield


@contextlib.contextmanager
def log_never_begun_again() -> Iterator[None]:
    """After a failed fsync the log goes on where it was, as if the next one had written all."""

    async def nothing(self: Journal) -> None:
        self._is_doubtful = False

    with patch.object(Journal, "_begin_log_again", nothing):
        yield


@contextlib.contextmanager
def file_never_cut_back() -> Iterator[None]:
    """What the file grew by in a fold that failed stays, as if the next one would write it anew."""
    with patch("benchd.runtime.journal.journal.os.truncate", lambda path, length: None):
        yield


@contextlib.contextmanager
def unsynced_commit() -> Iterator[None]:
    """A commit returns before the disk has it, as with SQLite's synchronous=NORMAL."""
    configure = Journal._configure

    async def quick(self: Journal, db: Any) -> None:
        await configure(self, db)
        await db.execute_fetchall("PRAGMA synchronous=NORMAL")

    with patch.object(Journal, "_configure", quick):
        yield


BUGS: dict[str, Callable[[], contextlib.AbstractContextManager[None]]] = {
    "commit after telling": commit_after_telling,
    "a lost retry": lost_retry,
    "a swapped order": swapped_order,
    "a leak of one entry a load": leak_of_a_load,
    "an unsaved mark": unsaved_mark,
    "a lost batch": lost_batch,
    "a forgotten outbox": outbox_forgotten,
    "a stuck lamp": stuck_lamp,
    "an alarm left standing": alarm_left_standing,
    "an unsynced commit": unsynced_commit,
    "a log never begun again": log_never_begun_again,
    "a file never cut back": file_never_cut_back,
}
