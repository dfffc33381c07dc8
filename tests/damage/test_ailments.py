"""Does each ailment do what its name says, the same for the same seed, in lines a board could have sent?"""

from __future__ import annotations

import json
from itertools import pairwise

import numpy as np
import pytest
from damage.chart import CHART, damaged
from damage.lines import PA_PER_PSI, Body, Damaged, Moments, Sent, records_of, written
from damage.time_ailments import hole_at_the_kick, late_lines, lost_bytes, rate, resets, stalls
from damage.value_ailments import bursts, coarse, gauge_spikes, open_circuit

from benchd.core.intake.wire import LIMIT_BYTES, decode
from benchd.errors import DecodeError

HZ, END_S, KICK_S = 4, 240.0, 150.0
MOMENTS = Moments(20.0, END_S, KICK_S, 100.0, 170.0)


def line(s: float, seq: int, cup_c: float, press: int | None = None) -> Sent:
    records = [
        {"bn": "b1-", "n": "seq", "v": seq}, {"n": "up", "u": "s", "v": s}, {"n": "cup", "u": "Cel", "v": cup_c},
        {"n": "pot", "u": "Pa", "v": 0}, {"n": "room", "u": "Cel", "v": 21.5},
        *([] if press is None else [{"n": "press-long", "v": press}]),
    ]  # fmt: skip
    return Sent(s, s, written(records))


BODY = Body(
    tuple(line(i / HZ, i, 20.0 + i / 100.0, i // 100 if i % 4 == 0 else None) for i in range(int(END_S * HZ))), MOMENTS
)


def rng(seed: int = 1) -> np.random.Generator:
    return np.random.default_rng(seed)


def values(lines: tuple[Sent, ...], name: str = "cup") -> list[float | None]:
    found = [{r.get("n"): r.get("v") for r in records_of(x.text)} for x in lines]
    return [f.get(name) for f in found]


def off(made: Damaged, name: str = "cup") -> dict[float, float]:
    """By how much each changed reading is off, by when it was made."""
    true, seen = values(BODY.lines, name), values(made.lines, name)
    pairs = zip(BODY.lines, true, seen, strict=True)
    return {x.made_s: b - a for x, a, b in pairs if a is not None and b is not None and b != a}


@pytest.mark.parametrize("ailment", CHART)
def test_the_same_seed_damages_alike_and_another_otherwise(ailment: str) -> None:
    do, strength = CHART[ailment].do, CHART[ailment].asked[-1]
    first = do(BODY, rng(1), strength)
    assert first == do(BODY, rng(1), strength)
    assert first.lines != BODY.lines
    if ailment != "clock slope, up":  # fast or slow is all there is to draw
        assert any(do(BODY, rng(seed), strength) != first for seed in (2, 3))


@pytest.mark.parametrize("ailment", [name for name in CHART if name != "lost bytes"])
def test_damaged_lines_are_lines_a_board_could_send(ailment: str) -> None:
    for strength in CHART[ailment].asked:
        for sent in CHART[ailment].do(BODY, rng(), strength).lines:
            assert decode(sent.text).board == "b1-"
            assert len(sent.text) <= LIMIT_BYTES
            assert sent.arrives_s >= sent.made_s


def test_bursts_last_no_longer_than_asked_and_stay_below_60_c() -> None:
    found = off(bursts(BODY, rng(), 3.0))
    assert found
    assert max(abs(x) for x in found.values()) <= 60.01
    assert {x > 0 for x in found.values()} == {True, False}
    longest = max(len(run) for run in "".join("x" if x.made_s in found else " " for x in BODY.lines).split())
    assert longest <= 3 * 3.0 * HZ, "three in a row at most"
    assert any(KICK_S - 15.0 <= s <= KICK_S + 10.0 for s in found), "one about the kick"


def test_an_open_circuit_is_written_as_a_board_writes_it() -> None:
    made = open_circuit(BODY, rng(), 1.0)
    faulty = [decode(x.text) for x in made.lines if '"fault"' in x.text]
    assert {d.fault for d in faulty} == {"cup open"}
    assert all(name != "b1-cup" for d in faulty for name, *_ in d.records)
    assert 4 <= len(faulty) <= 5 * HZ


def test_coarse_codes_lie_on_one_grid() -> None:
    seen = sorted({v for v in values(coarse(BODY, rng(), 0.5).lines) if v is not None})
    assert len(seen) > 5
    assert all(round(b - a, 2) in (0.5, 0.49, 0.51) for a, b in pairwise(seen))


def test_gauge_spikes_are_two_readings_of_their_height() -> None:
    found = off(gauge_spikes(BODY, rng(), 6.0), "pot")
    assert {round(abs(x) / PA_PER_PSI, 2) for x in found.values()} == {6.0}
    runs = "".join("x" if x.made_s in found else " " for x in BODY.lines).split()
    assert all(len(run) % 2 == 0 for run in runs)


def test_a_hole_at_the_kick_holds_it() -> None:
    made = hole_at_the_kick(BODY, rng(), 10.0)
    ((start_s, end_s),) = made.holes
    assert start_s < KICK_S < end_s
    assert end_s - start_s == pytest.approx(10.0)
    assert not [x for x in made.lines if start_s <= x.made_s < end_s]
    assert len(made.lines) == len(BODY.lines) - 10 * HZ


def test_a_stall_holds_lines_back_and_loses_none() -> None:
    made = stalls(BODY, rng(), 3.5)
    assert [x.text for x in made.lines] == [x.text for x in BODY.lines]
    assert all(b.arrives_s >= a.arrives_s for a, b in pairwise(made.lines))
    late = [x.arrives_s - x.made_s for x in made.lines]
    assert 3.0 < max(late) <= 2 * 3.5
    assert late.count(0.0) > len(late) / 2


def test_late_lines_come_as_many_places_later() -> None:
    made = late_lines(BODY, rng(), 3.0)
    seqs = [int(v) for v in values(made.lines, "seq") if v is not None]
    assert sorted(seqs) == list(range(len(BODY.lines)))
    late = [i - seq for i, seq in enumerate(seqs) if i != seq]
    assert late
    assert max(late) <= 3


def test_a_reset_board_counts_from_nothing() -> None:
    made = resets(BODY, rng(), 2.0)
    ups = [v for v in values(made.lines, "up") if v is not None]
    falls = [(a, b) for a, b in pairwise(ups) if b < a]
    assert len(falls) == 2
    assert all(1.4 <= b <= 1.8 for _, b in falls)
    assert [int(v or 0) for v in values(made.lines, "seq")].count(0) == 3
    presses = [v for v in values(made.lines, "press-long") if v is not None]
    assert sum(b < a for a, b in pairwise(presses)) == 2


@pytest.mark.parametrize("hz", [10.0, 1.0, 0.5, 0.2])
def test_another_rate_leaves_no_gap_in_seq(hz: float) -> None:
    made = rate(BODY, rng(), hz).lines
    assert float(np.median(np.diff([x.made_s for x in made]))) == pytest.approx(1.0 / hz, rel=0.26)
    seqs = [int(v) for v in values(made, "seq") if v is not None]
    assert seqs == list(range(seqs[0], seqs[0] + len(made)))
    presses = [v for v in values(made, "press-long") if v is not None]
    assert presses[-1] >= 8, "no count of presses is lost for long"


def test_lost_bytes_are_seen_by_the_checksum() -> None:
    made = lost_bytes(BODY, rng(), 0.1)
    bad = 0
    for sent in made.lines:
        try:
            decode(sent.text)
        except DecodeError:
            bad += 1
    assert bad == pytest.approx(0.1 * len(BODY.lines), rel=0.4)
    assert len(made.lines) == len(BODY.lines)


def test_a_clock_slope_stretches_up_alone() -> None:
    made = CHART["clock slope, up"].do(BODY, rng(), 0.5).lines
    ups = [v for v in values(made, "up") if v is not None]
    assert abs((ups[-1] - ups[0]) / (BODY.lines[-1].made_s - BODY.lines[0].made_s) - 1.0) == pytest.approx(5e-3, 1e-2)
    assert [x.arrives_s for x in made] == [x.made_s for x in BODY.lines]
    assert values(made) == values(BODY.lines)


def test_a_golden_recording_is_damaged_as_well() -> None:
    made = damaged("load-1", "bursts", 1.0, 1)
    assert len(made.lines) > 4000
    assert json.loads(made.lines[0].text[:-9])[0]["bn"] == "b1-"
