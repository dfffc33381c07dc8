"""Chooses the way in that workshop.toml names, and leaves it for good."""

from __future__ import annotations

from collections.abc import Callable

from benchd.workshop.gathering.from_mqtt import MqttWayIn
from benchd.workshop.gathering.from_nats import NatsWayIn
from benchd.workshop.gathering.gatherer import Gatherer, WayIn
from benchd.workshop.settings import Workshop

QUIET_TURNS = 4


def way_in(workshop: Workshop) -> WayIn:
    """The NATS cluster where there is a [nats] table, else the broker."""
    if workshop.nats is not None:
        return NatsWayIn(workshop.nats, workshop.broker.prefix, workshop.name)
    return MqttWayIn(workshop.broker, workshop.broker.prefix, workshop.name)


def leaving(door: WayIn, gatherer: Gatherer, is_stopped: Callable[[], bool]) -> None:
    """Take what waits for this gatherer until nothing comes, then end its session.  Raises SourceError, DatabaseError.

    What benches send meanwhile goes to the others; at NATS all share one consumer anyway.
    """
    quiet = 0
    if isinstance(door, MqttWayIn):
        door.is_leaving = True
    try:
        gatherer.prepare(is_stopped)
        door.open()
        while quiet < QUIET_TURNS and not is_stopped():
            quiet = 0 if gatherer.turn(is_stopped) else quiet + 1
        if isinstance(door, MqttWayIn) and not is_stopped():
            door.end()
    finally:
        gatherer.close()
