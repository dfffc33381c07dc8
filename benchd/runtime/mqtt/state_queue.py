"""The queue of states that must still reach the broker, and their order.  Newest wins per topic; readings give way.

Urgent states (alerts) go first, then the other QoS 1 states, in the order of their topics' arrival, with few messages
and few bytes unacknowledged at a time: on a slow link an alert waits only for what was sent before it.  QoS 0 readings
are sent while the kernel holds almost nothing unsent: on a slow link they are thinned to what it can carry.  A newer
state takes the place in the queue of the one it replaces, so that every topic has its turn however often all of them
change. Memory is bounded by the number of topics.
"""

from __future__ import annotations

import asyncio
from collections.abc import Callable
from dataclasses import dataclass

from benchd.runtime.mqtt.client import REFUSED, ServerLimits
from benchd.runtime.mqtt.session import Session

IN_FLIGHT_MOST = 16
IN_FLIGHT_MOST_BYTES = 2048  # 1.6 s of a 10 kbit/s link; one state always goes, however large
UNSENT_LOW_BYTES = 2048
LOOK_AGAIN_S = 0.02
REFUSED_AGAIN_S = 30.0  # wall; a quota is exceeded or an access list wrong for a while: common practice, no source


@dataclass(frozen=True, slots=True)
class State:
    """The state to publish under a topic; `number` increases with every put."""

    topic: str
    payload: bytes
    qos: int
    retain: bool
    number: int
    is_urgent: bool = False


class StateQueue:
    """States waiting to be sent; outlives sessions.  `on_code(topic, code)` is called with each QoS 1 reason code."""

    def __init__(self, on_code: Callable[[str, int], None], on_too_large: Callable[[str, int], None]) -> None:
        self._on_code = on_code
        self._on_too_large = on_too_large
        self._urgent: dict[str, State] = {}
        self._states: dict[str, State] = {}
        self._readings: dict[str, State] = {}
        self._owed: set[str] = set()
        self._refused: dict[str, State] = {}
        self._in_flight: dict[asyncio.Future[int | None], State] = {}
        self._work = asyncio.Event()
        self._number = 0
        self.drained = asyncio.Event()
        self.drained.set()
        self.paid = asyncio.Event()
        self.paid.set()
        self.thinned = 0

    def __len__(self) -> int:
        return len(self._urgent) + len(self._states) + len(self._readings)

    def put(self, topic: str, payload: bytes, qos: int, retain: bool, is_urgent: bool = False) -> None:
        """Queue the newest state of a topic, in place of an older one."""
        self._number += 1
        self._refused.pop(topic, None)
        queue = self._readings if not qos else self._urgent if is_urgent else self._states
        self.thinned += topic in queue
        queue[topic] = State(topic, payload, qos, retain, self._number, is_urgent)
        if qos:
            self.drained.clear()
        self._work.set()

    def drop(self, topic: str) -> None:
        """Take a waiting state of a topic back."""
        for queue in (self._urgent, self._states, self._readings):
            queue.pop(topic, None)
        self._note_paid(topic)
        self._note_drained()

    def owe(self) -> None:
        """Clear `paid`.

        It is set again once the broker has a state of every topic waiting now, whatever arrives meanwhile.

        `drained` may never be set on a link too slow for everything that changes.
        """
        self._owed = {*self._urgent, *self._states, *(s.topic for s in self._in_flight.values() if s.qos)}
        self.paid.clear()
        self._note_paid("")

    async def pump(self, session: Session, limits: ServerLimits) -> None:
        """Send for as long as the session lasts; never returns, cancel it at the session's end."""
        most = max(1, min(IN_FLIGHT_MOST, limits.unacknowledged - 1))
        while True:
            queue = self._urgent or self._states
            if self._in_flight and (len(self._in_flight) >= most or (queue and self._is_full())):
                await asyncio.wait(self._in_flight, return_when=asyncio.FIRST_COMPLETED)
            elif queue or (self._readings and self._has_room(session)):
                if not self._send_one(session, limits, queue or self._readings):
                    await asyncio.wait([session.ended])
            elif self._readings:
                await asyncio.sleep(LOOK_AGAIN_S)
            else:
                self._work.clear()
                await self._work.wait()

    @staticmethod
    def _has_room(session: Session) -> bool:
        """Whether the link takes another reading: hardly anything waits for paho's thread or in the kernel."""
        return session.unwritten < IN_FLIGHT_MOST and session.unsent_bytes() < UNSENT_LOW_BYTES

    def _is_full(self) -> bool:
        return sum(len(s.payload) for s in self._in_flight.values() if s.qos) >= IN_FLIGHT_MOST_BYTES

    def _send_one(self, session: Session, limits: ServerLimits, queue: dict[str, State]) -> bool:
        topic = next(iter(queue))
        state = queue[topic]
        if not limits.fits(topic, state.payload):
            del queue[topic]
            self._on_too_large(topic, len(state.payload))
            self._note_paid(topic)
            self._note_drained()
            return True
        qos, retain = min(state.qos, limits.qos), state.retain and limits.retain
        try:
            if not qos and not state.qos:
                session.tell(topic, state.payload, retain)
                del queue[topic]
                return True
            answer = session.publish(topic, state.payload, qos, retain, None)
        except ConnectionError:
            return False
        del queue[topic]
        self._in_flight[answer] = state
        answer.add_done_callback(self._sent)
        return True

    def _sent(self, answer: asyncio.Future[int | None]) -> None:
        state = self._in_flight.pop(answer)
        code = answer.result()
        if code is None:
            self._put_back(state)
        elif state.qos:
            self._answered(state, code)
            self._note_paid(state.topic)
        self._note_drained()

    def _answered(self, state: State, code: int) -> None:
        """A refused state is sent again later, or an alarm that is over would stand there; it is reported once."""
        is_again = self._refused.pop(state.topic, None) is state
        if code >= REFUSED:
            self._refused[state.topic] = state
            asyncio.get_running_loop().call_later(REFUSED_AGAIN_S, self._try_again, state)
        if code < REFUSED or not is_again:
            self._on_code(state.topic, code)

    def _try_again(self, state: State) -> None:
        """Queue a refused state again, unless a newer one has been put since."""
        if self._refused.get(state.topic) is state:
            self._put_back(state)

    def _put_back(self, state: State) -> None:
        """Queue again a state in flight when the connection ended, unless it is a reading or a newer one waits."""
        queue = self._urgent if state.is_urgent else self._states
        waiting = queue.get(state.topic)
        if state.qos and (waiting is None or waiting.number < state.number):
            queue[state.topic] = state
            self.drained.clear()
            self._work.set()

    def _note_paid(self, topic: str) -> None:
        self._owed.discard(topic)
        if not self._owed:
            self.paid.set()

    def _note_drained(self) -> None:
        if not self._urgent and not self._states and not any(state.qos for state in self._in_flight.values()):
            self.drained.set()
