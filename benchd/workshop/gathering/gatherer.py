"""The gatherer: takes what benches sent, commits it, and only then acknowledges it.

However it ends, nothing is lost: what was not acknowledged comes again, and what comes again changes nothing.
"""

from __future__ import annotations

import logging
import time
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from typing import Protocol

from benchd.errors import SourceError
from benchd.workshop.database.contract import Database, Unreachable
from benchd.workshop.gathering.gaps import Gap, Gaps
from benchd.workshop.incoming import Arrival, Batch

TAKE_S = 0.5
AGAIN_S, AGAIN_MOST_S = 0.5, 5.0

log = logging.getLogger("benchd")


class WayIn(Protocol):
    """Where records come from."""

    def open(self) -> None:
        """Connect.  Raises SourceError."""

    def take(self, within_s: float) -> Sequence[Arrival]:
        """What has come, after waiting up to within_s for the first.  Raises SourceError."""

    def settle(self, arrivals: Sequence[Arrival]) -> None:
        """Acknowledge these, which are committed.  Raises SourceError."""

    def idle(self, within_s: float) -> None:
        """Keep the connection alive while nothing can be taken.  Raises SourceError."""

    def ask(self, gap: Gap) -> None:
        """Ask a bench to send again from a gap on.  Raises SourceError."""

    def close(self) -> None:
        """Disconnect; may be called twice."""


@dataclass(slots=True)
class Gathered:
    """What a gatherer has done since its start."""

    connects: int = 0
    messages: int = 0
    commits: int = 0
    refused: int = 0
    outages: int = 0


class Gatherer:
    """One way in, one database; `beat` is called after each turn, for the service manager's watchdog."""

    def __init__(self, way_in: WayIn, database: Database, beat: Callable[[], None] = lambda: None) -> None:
        self._way_in, self._database, self._beat = way_in, database, beat
        self._gaps = Gaps(database)
        self.counts = Gathered()
        self._said = ""

    def run(self, is_stopped: Callable[[], bool]) -> None:
        """Gather until is_stopped.  Raises DatabaseError where waiting would not help."""
        pause_s = AGAIN_S
        try:
            self.prepare(is_stopped)
            while not is_stopped():
                try:
                    self._way_in.open()
                    self.counts.connects += 1
                    self._say("")
                    pause_s = AGAIN_S
                    while not is_stopped():
                        self.turn(is_stopped)
                except SourceError as error:
                    self._way_in.close()
                    self._say(str(error))
                    _sleep(pause_s, is_stopped, self._beat)
                    pause_s = min(2 * pause_s, AGAIN_MOST_S)
        finally:
            self.close()

    def close(self) -> None:
        """Close both sides; may be called twice."""
        self._way_in.close()
        self._database.close()

    def turn(self, is_stopped: Callable[[], bool]) -> int:
        """Take, commit and acknowledge once; how many messages.  Raises SourceError, DatabaseError."""
        arrivals = self._way_in.take(TAKE_S)
        self._beat()
        self._ask_for_gaps()
        if not arrivals:
            return 0
        batch = Batch.of(arrivals)
        if not self._written(batch, is_stopped):
            return 0
        self._way_in.settle(arrivals)
        self.counts.messages += len(arrivals)
        self.counts.commits += 1
        for refusal in batch.refused:
            self.counts.refused += 1
            log.warning("%s: refused: %s", ascii(refusal.arrival.topic[:200]), refusal.why)
        return len(arrivals)

    def _ask_for_gaps(self) -> None:
        try:
            gaps = self._gaps.found(time.time())
        except Unreachable as error:
            self._say(str(error))
            return
        for gap in gaps:
            log.warning("%s/%s: records after number %d never came; it is asked again", gap.shop, gap.bench, gap.number)
            self._way_in.ask(gap)

    def _written(self, batch: Batch, is_stopped: Callable[[], bool]) -> bool:
        """Whether it was committed before is_stopped."""
        is_first = True
        while not is_stopped():
            try:
                self._database.write(batch)
            except Unreachable as error:
                self.counts.outages += is_first
                is_first = False
                self._say(str(error))
                self._beat()
                self._way_in.idle(AGAIN_S)
            else:
                self._say("")
                return True
        return False

    def prepare(self, is_stopped: Callable[[], bool]) -> None:
        """Bring the database up to date, as soon as it answers.  Raises DatabaseError."""
        while not is_stopped():
            try:
                self._database.prepare()
            except Unreachable as error:
                self._say(str(error))
                _sleep(AGAIN_S, is_stopped, self._beat)
            else:
                return

    def _say(self, trouble: str) -> None:
        """Log a trouble when it begins, and when it is over."""
        if trouble and trouble != self._said:
            log.warning("%s", trouble)
        elif self._said and not trouble:
            log.info("gathering again")
        self._said = trouble


def _sleep(seconds: float, is_stopped: Callable[[], bool], beat: Callable[[], None]) -> None:
    until_s = time.monotonic() + seconds
    while time.monotonic() < until_s and not is_stopped():
        beat()
        time.sleep(0.05)
