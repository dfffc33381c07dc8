"""Counts the errors of a link, logs them and reports them to the link's owner."""

from __future__ import annotations

import logging
from collections.abc import Callable
from dataclasses import dataclass

from benchd.runtime.mqtt.client import NO_SUBSCRIBERS, REFUSED

log = logging.getLogger(__name__)

_REMEDIES = {0x87: ", not authorized; add it for benchd's user to the broker's access list (acl_file)"}
"""Reason code (MQTT 5.0, section 2.4) -> what follows it, where a person can do something about it."""


@dataclass(slots=True)
class LinkCounts:
    """What happened on the link since it was made."""

    connects: int = 0
    oversize: int = 0
    refused: int = 0
    handler_errors: int = 0
    dropped_in: int = 0
    no_subscribers: int = 0


@dataclass(slots=True)
class Complaints:
    """One link's complaints."""

    counts: LinkCounts
    on_trouble: Callable[[str], None]

    def trouble(self, text: str, is_again: bool = False) -> None:
        """Report trouble to the owner; a repetition adds no second line to the log."""
        if not is_again:
            log.warning("mqtt: %s", text)
        self.on_trouble(text)

    def handler_failed(self, text: str) -> None:
        """A handler or greeting callback of the owner raised."""
        self.counts.handler_errors += 1
        self.trouble(text)

    def answered(self, topic: str, code: int) -> None:
        """The broker's reason code for something published or subscribed."""
        self.counts.no_subscribers += code == NO_SUBSCRIBERS
        if code >= REFUSED:
            self.counts.refused += 1
            self.trouble(f"the broker refuses {topic} (0x{code:02X}){_REMEDIES.get(code, '')}")

    def too_large(self, topic: str, size_bytes: int) -> None:
        """A payload that was not sent."""
        self.counts.oversize += 1
        self.trouble(f"{topic}: {size_bytes} bytes are too many, not sent")
