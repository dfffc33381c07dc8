"""Chooses the protocol version of the next session: MQTT 5, or 3.1.1 where the broker does not know 5.

A broker of 3.1.1 answers a CONNECT of another version with return code 1, "unacceptable protocol level", and closes
(MQTT 3.1.1, section 3.1.2.2); some close without an answer.  The first is certain and kept; the second may be a broker
that was just stopping, so 5 is tried again for the session after, and after a failure of 3.1.1.
"""

from __future__ import annotations

from dataclasses import dataclass

from benchd.runtime.mqtt.client import End

V5, V311 = 5, 4  # the protocol level in CONNECT


@dataclass(slots=True)
class Versions:
    """`now` is the level of the next session."""

    now: int = V5
    is_certain: bool = False

    def after(self, end: End, connected: bool) -> bool:
        """Note how a session ended; whether the next is to be tried at once, with 3.1.1."""
        if self.now == V5 and not connected and (end.wrong_version or end.closed_early):
            self.now, self.is_certain = V311, end.wrong_version
            return True
        if not self.is_certain:
            self.now = V5
        return False
