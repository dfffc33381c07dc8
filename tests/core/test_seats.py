"""Does a seat keep or change its watcher in the same way, whether or not a checkpoint lay in between?"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

import pytest
from core.bench_double import BENCH

from benchd.core.bench import Bench
from benchd.core.findings import Event, Finding
from benchd.core.model import Subject
from benchd.core.model.learned import Learned, PotHabits
from benchd.core.seat.roster import Roster
from benchd.core.seat.watcher import Place, Reads, WatcherPlan

LEARNS = Reads(learned=True)
TAUGHT = replace(BENCH, learned=Learned(pots={"barrel": PotHabits(fill_s=10.2)}))


@dataclass
class Made:
    """A watcher that knows for which lessons it was made."""

    learned: Learned

    def see(self, event: Event) -> Sequence[Finding]:
        return ()


def plans(bench: Bench, reads: Reads = LEARNS) -> list[WatcherPlan]:
    place = Place(bench, Subject(bench="north"))
    return [WatcherPlan("made", 0, "bench", reads, place, None, lambda: Made(bench.learned))]


def thawed(roster: Roster, now: Sequence[WatcherPlan]) -> Roster:
    found = Roster()
    found.restore(now, roster.dump())
    return found


@pytest.mark.parametrize("is_thawed", [False, True])
def test_a_watcher_kept_while_a_load_was_open_is_made_again_when_the_bench_is_idle(is_thawed: bool) -> None:
    roster = Roster()
    roster.seat(plans(BENCH), keep_all=False)
    first = roster.seats[0].watcher
    roster.seat(plans(TAUGHT), keep_all=True)
    assert roster.seats[0].watcher is first
    if is_thawed:
        roster = thawed(roster, plans(TAUGHT))
    roster.seat(plans(TAUGHT), keep_all=True)
    assert roster.seats[0].watcher is first
    roster.seat(plans(TAUGHT), keep_all=False)
    assert roster.seats[0].watcher == Made(TAUGHT.learned)
    second = roster.seats[0].watcher
    roster.seat(plans(TAUGHT), keep_all=False)
    assert roster.seats[0].watcher is second


@pytest.mark.parametrize("is_thawed", [False, True])
def test_lessons_that_came_and_went_during_a_load_leave_the_same_watcher_after_a_checkpoint(is_thawed: bool) -> None:
    roster = Roster()
    roster.seat(plans(BENCH), keep_all=False)
    first = roster.seats[0].watcher
    roster.seat(plans(TAUGHT), keep_all=True)
    if is_thawed:
        roster = thawed(roster, plans(TAUGHT))
    roster.seat(plans(BENCH), keep_all=False)
    assert roster.seats[0].watcher is not first


@pytest.mark.parametrize("is_thawed", [False, True])
def test_a_watcher_that_reads_no_lessons_stays_whatever_they_are(is_thawed: bool) -> None:
    roster = Roster()
    roster.seat(plans(BENCH, Reads()), keep_all=False)
    first = roster.seats[0].watcher
    roster.seat(plans(TAUGHT, Reads()), keep_all=False)
    if is_thawed:
        roster = thawed(roster, plans(TAUGHT, Reads()))
    roster.seat(plans(BENCH, Reads()), keep_all=False)
    assert roster.seats[0].watcher is first
