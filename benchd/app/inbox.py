"""The mailbox as a source sees it: a place to put inputs, which also records that the source is alive."""

from __future__ import annotations

import time
from collections.abc import Callable
from typing import Any

from benchd.core.model import Input, Line, RawLine
from benchd.runtime.contracts import Health, Source
from benchd.runtime.watch.mailbox import Mailbox


class WatchedInbox:
    """The mailbox as sources see it; records that a source is alive."""

    def __init__(self, mailbox: Mailbox, health: Health) -> None:
        self._mailbox, self._health = mailbox, health

    def put(self, item: Input, /) -> None:
        """Queue one input."""
        if isinstance(item, Line | RawLine):
            self._health.moved["source"] = time.monotonic()
        self._mailbox.put(item)


def bound(source: Source, inbox: WatchedInbox) -> Callable[[], Any]:
    """`source.run` with its inbox, to be called again on each restart."""
    return lambda: source.run(inbox)
