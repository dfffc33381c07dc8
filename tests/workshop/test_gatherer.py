"""Is a message acknowledged only once it is committed, whichever side fails?  Fakes on both sides, no server."""

from __future__ import annotations

import subprocess
import sys
from collections.abc import Mapping, Sequence
from typing import Any

import pytest
from mosquitto import free_port
from shop_records import arrival, record

from benchd.errors import SourceError
from benchd.runtime.mqtt.address import BrokerAddress
from benchd.workshop.database.contract import DatabaseError, Unreachable
from benchd.workshop.gathering.from_mqtt import MqttWayIn
from benchd.workshop.gathering.gaps import Gap
from benchd.workshop.gathering.gatherer import Gatherer
from benchd.workshop.incoming import Arrival, Batch


class Sides:
    """A way in and a database at once, which write down what happens in order."""

    def __init__(self, failing: Sequence[Exception] = (), lost: Sequence[dict[str, Any]] = ()) -> None:
        self.log: list[str] = []
        self._failing, self._lost = list(failing), list(lost)
        self._waiting = [[arrival(record(1)), arrival(record(2))], [arrival(("odd", "{"))]]

    def open(self) -> None:
        self.log.append("open")

    def take(self, within_s: float) -> Sequence[Arrival]:
        if not self._waiting:
            raise SourceError("the broker has ended the connection")
        return self._waiting.pop(0)

    def settle(self, arrivals: Sequence[Arrival]) -> None:
        self.log.append(f"settle {len(arrivals)}")

    def idle(self, within_s: float) -> None:
        self.log.append("idle")

    def ask(self, gap: Gap) -> None:
        self.log.append(f"ask {gap.bench} after {gap.number}")

    def close(self) -> None:
        self.log.append("close")

    def prepare(self) -> None:
        self.log.append("prepare")

    def write(self, batch: Batch) -> None:
        self.log.append(f"write {len(batch.records)}+{len(batch.refused)}")
        if self._failing:
            raise self._failing.pop(0)

    def rows(self, query: str, values: Mapping[str, Any] | None = None) -> list[dict[str, Any]]:
        if "missing" in query:
            found, self._lost = self._lost, []
            return found
        return [{"number": 7}]


def turns(sides: Sides, most: int = 2) -> Gatherer:
    gatherer = Gatherer(sides, sides)
    for _ in range(most):
        gatherer.turn(lambda: False)
    return gatherer


def test_it_commits_and_then_acknowledges_what_was_refused_too() -> None:
    sides = Sides()
    counts = turns(sides).counts
    assert sides.log == ["write 2+0", "settle 2", "write 0+1", "settle 1"]
    assert (counts.messages, counts.refused) == (3, 1)


def test_while_the_database_is_away_nothing_is_acknowledged_and_the_connection_is_kept() -> None:
    sides = Sides([Unreachable("away"), Unreachable("away")])
    turns(sides, 1)
    assert sides.log == ["write 2+0", "idle", "write 2+0", "idle", "write 2+0", "settle 2"]


def test_a_database_that_refuses_for_good_ends_it_unacknowledged() -> None:
    sides = Sides([DatabaseError("no rights")])
    with pytest.raises(DatabaseError):
        Gatherer(sides, sides).run(lambda: False)
    assert sides.log == ["prepare", "open", "write 2+0", "close", "close"]


def test_stopped_while_the_database_is_away_it_acknowledges_nothing() -> None:
    sides = Sides([Unreachable("away")] * 9)
    Gatherer(sides, sides).turn(lambda: len(sides.log) > 3)
    assert not any(line.startswith("settle") for line in sides.log)


def test_a_gap_is_asked_for() -> None:
    lost = {"shop": "s", "bench": "north", "journal": "j", "after": 9}
    sides = Sides(lost=[lost])
    turns(sides, 1)
    assert sides.log[0] == "ask north after 7"


def test_a_broker_that_is_not_there_is_named() -> None:
    port = free_port()
    with pytest.raises(SourceError, match=f"127.0.0.1:{port}: .*refused"):
        MqttWayIn(BrokerAddress(port=port), "benchd", "gather-1").open()


def test_without_the_extra_the_command_says_what_to_install() -> None:
    script = "import sys; sys.modules['psycopg'] = None; from benchd.cli import main; sys.exit(main(['gather']))"
    done = subprocess.run([sys.executable, "-c", script], capture_output=True, text=True, timeout=60, check=False)
    assert done.returncode == 78
    assert "pip install 'benchd[workshop]'" in done.stderr
