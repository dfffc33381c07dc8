"""The bench's present state, and the subscribers who are notified of changes to it.

The gate posts effects here once they may be published.  State (readings, cards, alerts) is newest-wins; events
(findings, alert transitions, utterances, mark answers) go to every subscription's bounded queue in order.
"""

from __future__ import annotations

import asyncio
from collections import deque
from collections.abc import AsyncIterator, Iterable, Mapping, Sequence
from dataclasses import dataclass
from typing import Any

from benchd.core.findings import Effect, Finding
from benchd.core.model import Alert, Card, MarkAnswer, Reading, Utterance

Key = tuple[str, str]
"""What a state is of: newest wins for each."""
MOST_WHY = 200  # letters of a reason: a message must stay below 4 kB


@dataclass(frozen=True, slots=True)
class Posted:
    """One published effect; `id` is its journal number (0 for what is no event: readings, cards, standing alerts).

    unsaved: published before a commit held it, for the reason in `why`; if the process is killed, it may be lost.
    """

    effect: Effect
    id: int = 0
    unsaved: bool = False
    why: str = ""

    @property
    def warning(self) -> dict[str, Any]:
        """The keys that mark the effect as unsaved for its recipients; none once it is saved."""
        return unsaved_keys(self.why) if self.unsaved else {}


def unsaved_keys(why: str) -> dict[str, Any]:
    """The keys added to a message whose cause is not in the journal yet."""
    return {"unsaved": True, "unsaved_why": why[:MOST_WHY]}


class Subscription:
    """One listener's view.

    Events queue up to `limit`, then the oldest are dropped and counted; state changes coalesce by key.  A listener to
    events alone is not woken by states.
    """

    def __init__(self, limit: int, events_only: bool = False) -> None:
        self._events: deque[Posted] = deque()
        self._state: dict[Key, Posted] = {}
        self._limit, self._events_only = limit, events_only
        self._wakeup = asyncio.Event()
        self.dropped = 0

    def offer(self, events: Sequence[Posted], states: Mapping[Key, Posted]) -> None:
        """Queue events and replace states; never waits."""
        for posted in events:
            if len(self._events) >= self._limit:
                self._events.popleft()
                self.dropped += 1
            self._events.append(posted)
        if not self._events_only:
            self._state.update(states)
        if self._events or self._state:
            self._wakeup.set()

    async def batch(self) -> list[Posted]:
        """Everything new: events in order first, then the newest of each changed state; waits for at least one."""
        while not self._events and not self._state:
            self._wakeup.clear()
            await self._wakeup.wait()
        out = list(self._events) + list(self._state.values())
        self._events.clear()
        self._state.clear()
        return out

    async def __aiter__(self) -> AsyncIterator[Posted]:
        while True:
            for posted in await self.batch():
                yield posted


class Bulletin:
    """The bench's present state and its listeners; used on the event loop only."""

    def __init__(self) -> None:
        self.readings: dict[str, Reading] = {}
        self.cards: dict[tuple[str, str], Card] = {}
        self.alerts: dict[tuple[str, str], Alert] = {}
        self.said: deque[Utterance] = deque(maxlen=50)
        self.findings: deque[Finding] = deque(maxlen=500)
        self.answers: deque[MarkAnswer] = deque(maxlen=50)
        self._listeners: list[Subscription] = []

    def subscribe(self, limit: int = 1000, events_only: bool = False) -> Subscription:
        """A new subscription that queues at most `limit` events; with events_only, it gets no readings and cards."""
        subscription = Subscription(limit, events_only)
        self._listeners.append(subscription)
        return subscription

    def unsubscribe(self, subscription: Subscription) -> None:
        """Stop delivering to this subscription."""
        if subscription in self._listeners:
            self._listeners.remove(subscription)

    def post(self, batch: Sequence[Posted]) -> None:
        """Update the present state and offer the batch to every subscription."""
        events: list[Posted] = []
        states: dict[Key, Posted] = {}
        for posted in batch:
            key = _key(posted.effect)
            if key is None:
                self._keep(posted.effect)
                events.append(posted)
            else:
                states[key] = posted
        self._offer(events, states)

    def post_states(self, effects: Iterable[Effect]) -> None:
        """Post readings and cards, of which the newest of each counts: in a flood hundreds come at once."""
        newest = {key: effect for effect in effects if (key := _key(effect)) is not None}
        self._offer((), {key: Posted(effect) for key, effect in newest.items()})

    def _offer(self, events: Sequence[Posted], states: Mapping[Key, Posted]) -> None:
        for posted in states.values():
            self._keep(posted.effect)
        for listener in self._listeners:
            listener.offer(events, states)

    def _keep(self, effect: Effect) -> None:
        match effect:
            case Reading():
                self.readings[effect.channel] = effect
            case Card():
                self.cards[(effect.of, effect.id)] = effect
            case Alert():
                self.alerts[(effect.alert, effect.subject.id)] = effect
            case Utterance():
                self.said.append(effect)
            case MarkAnswer():
                self.answers.append(effect)
            case Finding():
                self.findings.append(effect)


def _key(effect: Effect) -> Key | None:
    """What a state is of; None for an event."""
    if isinstance(effect, Reading):
        return "read", effect.channel
    return (effect.of, effect.id) if isinstance(effect, Card) else None
