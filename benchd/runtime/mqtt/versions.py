"""Chooses the protocol version of the next session: MQTT 5, or 3.1.1 where the broker does not know 5.

A broker of 3.1.1 answers a CONNECT of another version with return code 1, "unacceptable protocol level", and closes
(MQTT 3.1.1, section 3.1.2.2); some close without an answer, some read on and never answer.  The first is certain and
kept.  The others may be a broker that was just stopping or is stuck: 5 is tried again for the session after and after a
failure of 3.1.1, until 3.1.1 has helped PROOFS times.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

from benchd.runtime.mqtt.client import End

V5, V311 = 5, 4  # the protocol level in CONNECT
PROOFS = 2
Asked = Literal["auto", "5", "3.1.1"]


@dataclass(slots=True)
class Versions:
    """`asked` by the settings; `now` is the level of the next session."""

    asked: Asked = "auto"
    now: int = V5
    is_certain: bool = False
    helped: int = 0

    def __post_init__(self) -> None:
        self.now = V311 if self.asked == "3.1.1" else V5

    def after(self, end: End, connected: bool) -> bool:
        """Note how a session ended; whether the next is to be tried at once, with 3.1.1."""
        if self.asked != "auto":
            return False
        if self.now == V5 and not connected and (end.wrong_version or end.closed_early or end.unanswered):
            self.now, self.is_certain = V311, end.wrong_version
            return not end.unanswered
        self.helped += self.now == V311 and connected
        if not self.is_certain and self.helped < PROOFS:
            self.now = V5
        return False
