"""Who has how long at the page's door, and who goes when there are too many?  A clock to turn, no sockets."""

from __future__ import annotations

import logging
from collections.abc import Callable
from dataclasses import dataclass, field

import pytest

from benchd.runtime.http.callers import (
    ANSWER_WITHIN_S,
    HEAD_WITHIN_S,
    MOST_KNOWN,
    MOST_PROVED,
    MOST_UNKNOWN,
    MOST_UNKNOWN_EACH,
    NEXT_HEAD_WITHIN_S,
    RESERVED,
    TOLD_EVERY_S,
    Caller,
    Callers,
    network,
)


@dataclass(eq=False)
class Alarm:
    """A timer of the stepped clock."""

    at_s: float
    ring: Callable[[], None]
    is_off: bool = False

    def cancel(self) -> None:
        self.is_off = True


@dataclass
class Door:
    """A table of callers whose clock is turned by hand; `cut` are the names of those who were cut."""

    now_s: float = 0.0
    alarms: list[Alarm] = field(default_factory=list)
    cut: list[str] = field(default_factory=list)

    def __post_init__(self) -> None:
        self.callers = Callers(self.call_later)

    def call_later(self, delay_s: float, ring: Callable[[], None]) -> Alarm:
        self.alarms.append(Alarm(self.now_s + delay_s, ring))
        return self.alarms[-1]

    def turn(self, seconds: float) -> None:
        self.now_s += seconds
        for alarm in [a for a in self.alarms if a.at_s <= self.now_s]:
            self.alarms.remove(alarm)
            if not alarm.is_off:
                alarm.ring()

    def comes(self, name: str, address: str = "192.168.7.66") -> Caller:
        return self.callers.arrived(address, lambda: self.cut.append(name))


def test_a_head_that_does_not_come_ends_the_connection() -> None:
    door = Door()
    door.comes("silent")
    door.turn(HEAD_WITHIN_S - 0.1)
    assert door.cut == []
    door.turn(0.2)
    assert door.cut == ["silent"]


def test_a_strangers_request_must_end_and_a_phones_stream_may_last() -> None:
    door = Door()
    stranger, phone = door.comes("stranger"), door.comes("phone")
    stranger.asked()
    phone.asked()
    phone.known()
    door.turn(ANSWER_WITHIN_S + 0.1)
    assert door.cut == ["stranger"]
    door.turn(86400.0)
    assert door.cut == ["stranger"]


def test_after_an_answer_the_next_head_must_come_for_phones_too() -> None:
    door = Door()
    phone = door.comes("phone")
    phone.asked()
    phone.known()
    phone.answered()
    door.turn(NEXT_HEAD_WITHIN_S + 0.1)
    assert door.cut == ["phone"]


def test_a_request_that_follows_before_the_first_has_quite_ended_keeps_its_own_time() -> None:
    door = Door()
    phone = door.comes("phone")
    phone.asked()
    phone.known()
    phone.asked()
    phone.answered()
    door.turn(3600.0)
    assert door.cut == []


def test_one_address_loses_its_oldest_connection_to_its_newest() -> None:
    door = Door()
    door.comes("elsewhere", "192.168.7.31")
    for number in range(MOST_UNKNOWN_EACH + 2):
        door.comes(f"c{number}")
    assert door.cut == ["c0", "c1"]
    assert len(door.callers) == MOST_UNKNOWN_EACH + 1


def test_held_requests_do_not_outlast_the_newest_caller_of_their_address() -> None:
    """Who keeps slow requests open and comes again for each one lost gains nothing: age alone decides."""
    door = Door()
    for number in range(MOST_UNKNOWN_EACH):
        door.comes(f"held{number}").asked()
    door.comes("phone")
    for number in range(MOST_UNKNOWN_EACH - 1):
        door.comes(f"again{number}")
    assert door.cut == [f"held{number}" for number in range(MOST_UNKNOWN_EACH)]


def test_many_addresses_take_places_from_the_most_crowded_one_and_no_phones() -> None:
    door = Door()
    phone = door.comes("phone", "192.168.7.31")
    phone.asked()
    phone.known()
    for number in range(MOST_UNKNOWN_EACH):
        door.comes(f"crowd{number}", "192.168.7.66")
    for number in range(MOST_UNKNOWN * 2):
        door.comes(f"c{number}", f"10.0.{number // 200}.{number % 200}")
        assert len(door.callers) <= MOST_UNKNOWN + 1
    assert door.cut[: MOST_UNKNOWN_EACH - 1] == [f"crowd{n}" for n in range(MOST_UNKNOWN_EACH - 1)]
    assert "phone" not in door.cut


def test_a_crowd_of_addresses_does_not_touch_a_phone_that_came_before_from_there() -> None:
    """A browser opens six connections at once: its address would be the most crowded one among many strangers."""
    door = Door()
    first = door.comes("first", "192.168.7.31")
    first.asked()
    first.known()
    first.gone()
    for number in range(6):
        door.comes(f"phone{number}", "192.168.7.31")
    for number in range(MOST_UNKNOWN * 3):
        door.comes(f"c{number}", f"10.0.{number // 200}.{number % 200}")
    assert not [name for name in door.cut if name.startswith("phone")]
    assert len(door.callers) == MOST_UNKNOWN + 6


def test_the_reserve_and_its_memory_are_bounded() -> None:
    door = Door()
    for number in range(MOST_PROVED + 100):
        address = f"10.1.{number // 200}.{number % 200}"
        caller = door.comes("phone", address)
        caller.asked()
        caller.known()
        caller.gone()
    for number in range(MOST_PROVED + 100):
        for _ in range(MOST_UNKNOWN_EACH + 1):
            door.comes("again", f"10.1.{number // 200}.{number % 200}")
    assert len(door.callers) <= MOST_UNKNOWN + RESERVED


def test_known_callers_have_places_of_their_own_up_to_a_number() -> None:
    door = Door()
    for number in range(MOST_KNOWN + 1):
        caller = door.comes(f"phone{number}", f"192.168.7.{number}")
        caller.asked()
        caller.known()
    assert door.callers.count_known() == MOST_KNOWN
    assert door.cut == []


def test_who_is_gone_is_cut_no_more_and_leaves_its_place() -> None:
    door = Door()
    caller = door.comes("c")
    caller.asked()
    caller.gone()
    caller.answered()
    caller.gone()
    door.turn(3600.0)
    assert (door.cut, len(door.callers)) == ([], 0)


def test_the_log_says_it_at_once_and_then_once_a_minute(caplog: pytest.LogCaptureFixture) -> None:
    caplog.set_level(logging.WARNING, "benchd")
    door = Door()
    for number in range(500):
        door.comes(f"c{number}")
    assert len(caplog.records) == 1
    door.turn(HEAD_WITHIN_S)
    door.turn(TOLD_EVERY_S)
    door.turn(TOLD_EVERY_S)
    said = [record.getMessage() for record in caplog.records]
    assert len(said) == 2
    assert " 499 connections" in said[1]
    door.callers.close()


def test_an_ipv6_neighbour_counts_as_one_whatever_address_it_takes() -> None:
    """RFC 4291 section 2.5.1: the last 64 bits are an interface's own to choose."""
    assert network("fe80::1%eth0") == network("fe80::ffff:2")
    assert network("2001:db8:0:1::1") != network("2001:db8:0:2::1")
    assert (network("192.168.7.20"), network("")) == ("192.168.7.20", "")
