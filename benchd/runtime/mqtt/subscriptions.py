"""Our subscriptions at the broker and their handlers; kept through reconnects."""

from __future__ import annotations

import asyncio
import contextlib
from collections.abc import Callable

import paho.mqtt.client as mqtt

from benchd.runtime.mqtt.client import REFUSED, Message, plain
from benchd.runtime.mqtt.session import Session

Handler = Callable[[Message], None]


class Subscriptions:
    """Filters and handlers.  `on_error(text)` gets the errors of handlers, `on_refused(filter, code)` the refusals."""

    def __init__(self, on_error: Callable[[str], None], on_refused: Callable[[str, int], None]) -> None:
        self._handlers: dict[str, Handler] = {}
        self._on_error = on_error
        self._on_refused = on_refused

    def add(self, topic_filter: str, handler: Handler, session: Session | None) -> None:
        """Set the handler of a filter, and subscribe if there is a session."""
        self._handlers[topic_filter] = handler
        if session is not None:
            self._ask(session, topic_filter)

    def remove(self, topic_filter: str, session: Session | None) -> None:
        """Remove a filter and its handler, and unsubscribe if there is a session."""
        if self._handlers.pop(topic_filter, None) is not None and session is not None:
            session.unsubscribe(topic_filter)

    async def ask_all(self, session: Session, within_s: float) -> None:
        """Subscribe to everything in a new session; returns when all is answered, at most after `within_s`."""
        answers = [self._ask(session, topic_filter) for topic_filter in self._handlers]
        waiting = [answer for answer in answers if answer is not None]
        if waiting:
            await asyncio.wait(waiting, timeout=within_s)

    def _ask(self, session: Session, topic_filter: str) -> asyncio.Future[int | None] | None:
        with contextlib.suppress(ConnectionError):
            answer = session.subscribe(topic_filter)
            answer.add_done_callback(lambda done: self._answered(topic_filter, done))
            return answer
        return None

    def _answered(self, topic_filter: str, answer: asyncio.Future[int | None]) -> None:
        code = None if answer.cancelled() else answer.result()
        if code is not None and code >= REFUSED:
            self._on_refused(topic_filter, code)

    def deliver(self, message: Message) -> None:
        """Pass a message to every handler whose filter matches; an error in one does not affect the others."""
        for topic_filter, handler in list(self._handlers.items()):
            if mqtt.topic_matches_sub(topic_filter, message.topic):
                try:
                    handler(message)
                except Exception as error:  # one handler's fault must not keep a mark from the others
                    self._on_error(f"{plain(message.topic)}: {type(error).__name__}: {plain(error)}")
