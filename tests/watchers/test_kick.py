"""Is the kick foretold and found?  On simulated cups, on a measured reaction, and on everything that is none.

The population is tests/cup_population.py; thresholds were set on its seeds 1 to 5, what is asserted here is reported
from seeds from 100 up.  Figures stand beside the assertions as measured when written.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import replace
from functools import cache
from itertools import pairwise

import numpy as np
import pytest
from cup_population import DECOYS, Cup, Seen, cups, decoys, seen
from kick_bench import POUR, T0, CupKind, at_cup, cup_reads, measured_record, of, resin, room_reads, started, watched
from of_kind import as_kind, known
from some_of import some_of

from benchd.core.bench import Lot
from benchd.core.findings import (
    CupOdd,
    CupReacting,
    CupSteepest,
    Finding,
    Kicked,
    KickForecast,
    KickOverdue,
    LabelDoubtful,
    NoCure,
    PourEnded,
    PourRevised,
)
from benchd.core.model import Mark, Tick
from benchd.watchers.kick import KickWatcher

# ----------------------------------------------------------------------------------------------- simulated cups: found


@cache
def told(kind: CupKind, seed: int, count: int) -> list[tuple[Cup, list[Finding]]]:
    """(cup, findings) of `count` marked pours of one kind of cup."""
    rng = np.random.default_rng(seed + 50)
    return [
        (cup, watched(at_cup(resin(cup.pot_life_s), kind), seen(rng, cup, (1, 2, 4)), cup.room_c))
        for cup in cups(seed, count, kind)
    ]


@pytest.mark.wide
def test_the_steepest_point_is_told_once_and_apart_from_the_kick() -> None:
    """Truth: where the heat put in grows fastest.  Snap resins gel there, steady ones up to a third later."""
    errors: list[float] = []
    gaps: dict[str, list[float]] = {}
    for cup, found in told("witness", 101, 10) + told("mixing", 102, 7):
        (steepest,), (kicked,) = of(CupSteepest, found), of(Kicked, found)
        assert steepest.early < steepest.at < steepest.late <= steepest.t + 60.0
        assert steepest.rate_k_per_min > 0.0
        errors.append((steepest.at - T0 - cup.kick_s) / cup.kick_s)
        gaps.setdefault(cup.shape, []).append((kicked.at - steepest.at) / cup.gel_s)
    assert max(abs(e) for e in errors) < 0.08
    assert float(np.median(gaps["steady"])) > float(np.median(gaps["snap"])) + 0.02


@pytest.mark.wide
def test_a_steepest_point_without_a_pour_is_nobodys() -> None:
    cup = cups(131, 8, "witness")[3]
    record = seen(np.random.default_rng(9), cup, (1,))
    assert not of(CupSteepest, watched(at_cup(None), record, cup.room_c, is_marked=False))


REPORTED: dict[CupKind, tuple[int, int]] = {"witness": (101, 10), "mixing": (102, 7), "residue": (103, 5)}


@pytest.mark.parametrize(
    ("kind", "most_missed", "low_pct", "high_pct"),
    [
        ("witness", 0, -8.0, 11.0),
        pytest.param(
            "mixing", 0, -8.0, 11.0,
            marks=[pytest.mark.wide, pytest.mark.xfail(strict=True, reason="open: one of six is dated 8.01 % early")],
        ),
        pytest.param("residue", 1, -15.0, 30.0, marks=pytest.mark.wide),
    ],
)  # fmt: skip
def test_the_kick_is_found_when_the_cup_gels(kind: CupKind, most_missed: int, low_pct: float, high_pct: float) -> None:
    """Every cup's error lies in the range; the population of tests/accuracy has the percentiles."""
    errors: list[float] = []
    missed = 0
    for cup, findings in told(kind, *REPORTED[kind]):
        kicks = of(Kicked, findings)
        assert len(kicks) <= 1
        missed += not kicks
        errors += [100.0 * ((k.at - T0) / cup.gel_s - 1.0) for k in kicks]
        assert all(k.early <= k.at <= k.late and k.at <= k.t for k in kicks)
    assert missed <= most_missed
    assert low_pct < min(errors)
    assert max(errors) < high_pct


# ------------------------------------------------------------------------------------------------------------- decoys


@cache
def decoy_results(seed: int, count: int, rates_hz: tuple[int, ...] = (1, 2)) -> list[tuple[str, list[Finding]]]:
    kinds: tuple[CupKind, ...] = ("witness", "mixing", "residue")
    results = []
    for i, (what, room_c, record) in enumerate(decoys(seed, count, rates_hz)):
        watcher = at_cup(resin(), kinds[i % 3])
        results.append((what, watched(watcher, record, room_c)))
    return results


@pytest.mark.parametrize("count", some_of([2, len(DECOYS), 20], 1))
def test_what_only_warms_a_probe_is_no_kick(count: int) -> None:
    results = decoy_results(111, count)
    false = [what for what, found in results if of(Kicked, found)]
    print(f"\n{len(results)} decoys ({', '.join(DECOYS)}): {len(false)} false kicks")
    assert len(results) == count
    assert {what for what, _ in results} == set(DECOYS[:count])
    assert false == []


@pytest.mark.accuracy
def test_no_more_than_one_in_five_hundred_decoys_is_a_kick() -> None:
    assert sum(bool(of(Kicked, found)) for _, found in decoy_results(112, 1000, (1, 2, 4, 10))) <= 2


@pytest.mark.wide
def test_decoys_open_no_pour_unless_the_cup_did_react() -> None:
    reacting = [
        what
        for what, room_c, record in decoys(113, 20, (1, 2))
        if of(CupReacting, watched(at_cup(resin()), record, room_c, is_marked=False))
    ]
    assert set(reacting) <= {"lifted", "lifted wet"}, "their cups do heat themselves until the probe is out"


# ------------------------------------------------------------------------------------------------ a measured reaction


def test_a_measured_reaction_kicks_at_its_peak_of_heat_or_up_to_a_third_later() -> None:
    """A cement has no gel, and half of its heat comes in a tail, so no conversion of resins can be asked of it.  What
    holds of any resin is asked: step-growth resins gel at their rate's peak or, steady ones, up to a third later
    (calc: second order with gel at 0.7, and see physics/cup_kick).

    The package's other cement reacts over a far broader time than any resin: when its record ends, past the peak, the
    fit still waits for a gel.
    """
    heat, record = measured_record("calorimetry_data_6.csv", 12.0, 30.0, 0.1)
    (kick_found,) = of(Kicked, watched(at_cup(resin()), record, 22.0))
    assert 0.95 < (kick_found.at - T0) / heat.peak_s < 4.0 / 3.0
    assert kick_found.basis == "curve"


# --------------------------------------------------------------------------------------------------------- forecasts


def forecasts_alone(found: Sequence[Finding]) -> list[KickForecast]:
    """Findings that are forecasts, every one of them."""
    return [as_kind(KickForecast, f) for f in found]


def test_the_first_forecast_is_the_labels_with_a_wide_window() -> None:
    watcher = at_cup(resin(180.0))
    watcher.see(room_reads(T0 - 1.0, 13.0))
    (first,) = forecasts_alone(watcher.see(started()))
    # Common practice: 180 s at 23 C is 1.8 to 2.5 times that at 13 C.
    assert 1.8 * 180.0 < first.at - T0 < 2.5 * 180.0
    assert (first.basis, first.confidence) == ("label", "low")
    assert first.early - T0 < 0.72 * (first.at - T0)
    assert first.late - T0 > 1.35 * (first.at - T0)


def test_a_lot_with_its_own_pot_life_is_doubted_less() -> None:
    own = Lot(id="r-07", code="R-07", resin="harbour-fast", label=replace(resin(180.0), pot_life_s=165.0))
    same = Lot(id="r-05", code="R-05", resin="harbour-fast", label=resin(180.0))
    widths = {}
    for lot in ("r-07", "r-05"):
        watcher = at_cup(resin(180.0), "witness", own, same)
        watcher.see(room_reads(T0 - 1.0, 23.0))
        (first,) = forecasts_alone(watcher.see(started(lot=lot)))
        widths[lot] = (first.at - T0, (first.late - first.early) / (first.at - T0))
    assert widths["r-07"][0] == pytest.approx(165.0, rel=0.03)
    assert widths["r-05"][0] == pytest.approx(180.0, rel=0.03)
    assert widths["r-07"][1] < 0.7 * widths["r-05"][1]


@pytest.mark.parametrize(
    ("kind", "early_c", "starts_c"),
    [("mixing", 27.0, 24.0), ("mixing", 18.5, 18.5), ("witness", 27.0, 21.0), ("mixing", 80.0, 21.0)],
)
def test_the_resins_temperature_is_the_cups_early_reading_if_it_can_be(
    kind: CupKind, early_c: float, starts_c: float
) -> None:
    """In a 21 C room: at most 3 K above it (more is reaction), the room's where the probe waits in an empty cup."""
    watcher = at_cup(resin(180.0), kind)
    watcher.see(room_reads(T0 - 1.0, 21.0))
    watcher.see(started())
    for s in range(20):
        watcher.see(cup_reads(T0 + s + 0.5, early_c))
    told_then = forecasts_alone([f for s in range(20, 40) for f in watcher.see(Tick(T0 + s))])
    found = [f for f in told_then if f.basis == "label"]
    assert found
    # Common practice: x1.8 to x2.5 per 10 C; a cup cooler than its room is warmed by it, hence the wider band.
    low, high = sorted(180.0 * factor ** ((23.0 - starts_c) / 10.0) for factor in (1.6, 2.7))
    assert 0.97 * low < found[-1].at - T0 < 1.03 * high


def at_share(cup: Cup, findings: Sequence[Finding], share: float) -> KickForecast:
    """The forecast standing at a share of the cup's time to the kick."""
    return [f for f in of(KickForecast, findings) if f.t - T0 <= max(share * cup.gel_s, 1.0)][-1]


@pytest.mark.wide
def test_the_windows_hold_most_kicks_and_close_as_the_cup_warms() -> None:
    report = {}
    for share in (0.0, 0.5, 0.7):
        rows = []
        for kind in REPORTED:
            for cup, findings in told(kind, *REPORTED[kind]):
                f = at_share(cup, findings, share)
                rows.append(
                    (
                        abs(f.at - T0 - cup.gel_s) / cup.gel_s, (f.late - f.early) / cup.gel_s,
                        f.early <= T0 + cup.gel_s <= f.late,
                    )
                )  # fmt: skip
        error, width, held = np.array(rows, dtype=float).T
        report[share] = (np.median(error), np.median(width), np.mean(held))
    assert min(held for _, _, held in report.values()) >= 0.7, "20 cups: a true 90 % shows as 75 % now and then"
    assert report[0.7][0] < 0.7 * report[0.0][0]
    assert report[0.7][1] < 0.5 * report[0.0][1]
    assert report[0.7][0] < 0.08


@pytest.mark.wide
def test_a_forecast_is_told_no_faster_than_it_is_news_and_never_slower() -> None:
    for cup, findings in told("witness", *REPORTED["witness"]):
        forecasts = of(KickForecast, findings)
        kicked_t = next((f.t for f in of(Kicked, findings)), math.inf)
        gaps = np.diff([f.t for f in forecasts])
        assert gaps.min() >= 2.0
        assert gaps.max() <= 15.0
        assert all(f.t <= kicked_t for f in forecasts)
        for before, after in pairwise(forecasts):
            moved_s = max(abs(after.at - before.at), abs(after.early - before.early))
            left_s, left_before_s = after.at - after.t, before.at - before.t
            enters = any(left_s <= line < left_before_s for line in (60.0, 30.0))
            assert enters or after.t - before.t >= 15.0 or moved_s > max(1.0, 0.02 * left_s), cup.shape


def test_without_a_label_the_kick_is_found_and_forecast_only_once_the_cup_shows_it() -> None:
    cup = cups(131, 8, "witness")[0]
    record = seen(np.random.default_rng(1), cup, (2,))
    found = watched(at_cup(None), record, cup.room_c)
    assert len(of(Kicked, found)) == 1
    forecasts = of(KickForecast, found)
    assert forecasts
    assert {f.basis for f in forecasts} == {"curve"}
    assert forecasts[0].t - T0 > 10.0


# --------------------------------------------------------------------------------------------- marks, pours, the clock


def test_a_marked_kick_is_believed_and_the_curve_adds_no_second() -> None:
    cup = cups(131, 8, "witness")[1]
    record = seen(np.random.default_rng(2), cup, (2,))
    marked = Mark(t=T0 + cup.kick_s, verb="kicked", cup="cup-1")
    kicks = of(Kicked, watched(at_cup(resin(cup.pot_life_s)), record, cup.room_c, extra=[marked]))
    assert [(k.basis, k.at) for k in kicks] == [("marked", T0 + cup.kick_s)]
    # A hand on a switch: 5 s and 2 % of the time since the mix (a simulation study's observation error).
    assert kicks[0].late - kicks[0].at == pytest.approx(5.0 + 0.02 * cup.kick_s)


def test_a_kick_marked_for_another_pour_or_with_none_open_is_not_ours() -> None:
    watcher = at_cup(resin())
    assert watcher.see(Mark(t=T0, verb="kicked")) == []
    watcher.see(started())
    assert watcher.see(Mark(t=T0 + 9.0, verb="kicked", pour="cup-9-1")) == []
    assert watcher.see(Mark(t=T0 + 9.0, verb="kicked", cup="cup-2")) == []
    assert len(watcher.see(Mark(t=T0 + 9.0, verb="kicked"))) == 1


def test_a_cup_nobody_marked_is_seen_to_react_and_its_kick_is_told_once_the_pour_is_inferred() -> None:
    shares, kicked = [], 0
    for i, cup in enumerate(cups(133, 6, "witness")):
        record = seen(np.random.default_rng(i), cup, (2,))
        watcher = at_cup(resin(cup.pot_life_s))
        kicks: list[Kicked] = []
        mixes: list[CupReacting] = []
        watcher.see(room_reads(T0 - 0.5, cup.room_c))
        for s, v in zip(record.time_s.tolist(), record.value_c.tolist(), strict=True):
            queue = list(watcher.see(cup_reads(T0 + s, v)))
            for found in queue:
                if isinstance(found, CupReacting):
                    mixes.append(found)
                    queue += watcher.see(started(mix_t=found.mix_t, inferred=True, t=found.t))
                if isinstance(found, Kicked):
                    kicks.append(found)
        assert len(mixes) <= 1
        kicked += len(kicks)
        shares += [(m.mix_t - T0) / cup.kick_s for m in mixes]
    assert len(shares) >= 0.95 * len(cups(133, 6, "witness"))
    assert kicked >= 0.9 * len(shares)
    # "About": the median within a fifth of the time to the kick, nine in ten within half of it.
    assert abs(np.median(shares)) < 0.2
    assert np.percentile(np.abs(shares), 90) < 0.5


def test_a_dead_cup_is_overdue_then_no_cure() -> None:
    watcher = at_cup(resin(180.0))
    quiet = Seen(np.arange(0.0, 900.0, 1.0), np.full(900, 23.0) + 0.2 * np.sin(np.arange(900.0)))
    found = watched(watcher, quiet, 23.0)
    (overdue,), (no_cure,) = of(KickOverdue, found), of(NoCure, found)
    late_s = of(KickForecast, found)[0].late - T0
    assert overdue.expected_by - T0 == pytest.approx(late_s, abs=1.0)
    assert overdue.t - T0 == pytest.approx(1.2 * late_s, abs=2.0)  # common practice: past the late edge by a fifth
    assert no_cure.t - T0 == pytest.approx(540.0, abs=2.0)  # common practice: three pot lives
    assert not of(KickForecast, [f for f in found if f.t > no_cure.t])


def test_a_blind_probe_says_nothing_of_overdue_or_no_cure() -> None:
    watcher = at_cup(resin(180.0))
    watcher.see(room_reads(T0 - 1.0, 23.0))
    watcher.see(started())
    found = [f for s in range(1, 1200) for f in watcher.see(Tick(T0 + s))]
    assert of(KickForecast, found)
    assert not of((KickOverdue, NoCure), found)


@pytest.mark.wide
def test_a_warming_cup_is_late_but_not_dead() -> None:
    watcher = at_cup(resin(180.0))
    slow = Seen(np.arange(0.0, 1500.0, 1.0), 23.0 + 12.0 * (1.0 - np.exp(-np.arange(1500.0) / 300.0)))
    found = watched(watcher, slow, 23.0)
    assert of(KickOverdue, found)
    assert not of(NoCure, found)


@pytest.mark.parametrize(("label_s", "what"), [(85.0, "slow"), (600.0, "fast"), (200.0, None)])
def test_a_kick_far_from_its_label_is_odd(label_s: float, what: str | None) -> None:
    heat, record = measured_record("calorimetry_data_6.csv", 12.0, 30.0, 0.1)
    odd = of(CupOdd, watched(at_cup(resin(label_s)), record, 23.0))
    assert [o.what for o in odd] == ([what] if what else [])
    for o in odd:
        assert o.expected == pytest.approx(label_s, rel=0.04)
        assert 0.9 * heat.peak_s < o.got < 1.4 * heat.peak_s


def test_a_revised_mix_time_moves_the_forecast() -> None:
    watcher = at_cup(resin(180.0))
    watcher.see(room_reads(T0 - 1.0, 23.0))
    watcher.see(started())
    revised = PourRevised(t=T0 + 10.0, subject=POUR, mix_t=T0 - 40.0, lot=None, molds=(), inferred=False, number=1)
    found = forecasts_alone([*watcher.see(revised), *watcher.see(Tick(T0 + 11.0))])
    assert found[0].at == pytest.approx(T0 + 140.0, abs=4.0)


def test_a_pour_that_ended_is_forecast_no_more() -> None:
    watcher = at_cup(resin())
    watcher.see(room_reads(T0 - 1.0, 23.0))
    watcher.see(started())
    watcher.see(PourEnded(t=T0 + 20.0, subject=replace(POUR, pour="cup-1-7"), why="marked"))
    assert any(watcher.see(Tick(T0 + s)) for s in range(21, 60)), "another pour's end is not ours"
    watcher.see(PourEnded(t=T0 + 60.0, subject=POUR, why="marked"))
    assert not any(watcher.see(Tick(T0 + s)) for s in range(61, 200))


@pytest.mark.parametrize("value", [math.nan, math.inf, -math.inf, None, 1e6, -273.0])
def test_garbage_is_passed_over(value: float | None) -> None:
    watcher = at_cup(resin())
    watcher.see(room_reads(T0 - 1.0, 23.0))
    assert all(watcher.see(cup_reads(T0 + s, value)) == () for s in range(100))
    assert watcher.see(room_reads(T0 + 100.0, math.nan)) == ()
    assert watcher.start.room_c == 23.0


# ------------------------------------------------------------------------------------------------- labels and learning


@pytest.mark.parametrize(("factor", "what"), some_of([(2.0, "fast"), (1.0, None), (0.5, "slow")], 1))
def test_a_label_twice_or_half_the_truth_is_doubted_before_the_kick(factor: float, what: str | None) -> None:
    """The cup comes from a resin of the label's own pot life and lot; only the label shown is wrong."""
    cup = min(cups(134, 12, "witness"), key=lambda c: abs(math.log(c.gel_s / c.pot_life_s)))
    record = seen(np.random.default_rng(4), cup, (2,))
    found = watched(at_cup(resin(factor * cup.pot_life_s)), record, cup.room_c)
    doubts = of(LabelDoubtful, found)
    assert [d.what for d in doubts] == ([what] if what else [])
    for d in doubts:
        assert d.t - T0 < 0.85 * cup.gel_s
        off, label_off = (abs(math.log(v / cup.gel_s)) for v in (d.likely, d.expected))
        assert off < 0.75 * label_off, "by then it knows better than the label"
        assert {f.confidence for f in of(KickForecast, found) if f.t > d.t} <= {"low"}, "a wrong bottle is not trusted"


def drained_at_s(watcher: KickWatcher) -> float:
    return known(known(watcher.cure).fit.cup.drained).at_s


def test_a_filled_mold_makes_the_cups_rest_a_pool() -> None:
    """Only a residue cup, only its own pour, and the last mold counts."""
    watcher = at_cup(resin(), "residue")
    watcher.see(room_reads(T0 - 1.0, 23.0))
    watcher.see(started())
    assert drained_at_s(watcher) == 65.0
    for s in (50.0, 82.0):
        watcher.see(Mark(t=T0 + s, verb="poured", mold="m02"))
        assert drained_at_s(watcher) == s
    watcher.see(Mark(t=T0 + 90.0, verb="poured", cup="cup-2"))
    assert drained_at_s(watcher) == 82.0
    other = at_cup(resin(), "witness")
    other.see(started())
    other.see(Mark(t=T0 + 50.0, verb="poured"))
    assert known(other.cure).fit.cup.drained is None


def test_a_marked_kick_teaches_the_lots_next_pour_and_no_other_lots() -> None:
    cup = cups(135, 8, "witness")[1]
    shown = resin(cup.pot_life_s)
    lots = [Lot(id=i, code=i.upper(), resin=shown.id, label=shown) for i in ("r-01", "r-02")]
    watcher = at_cup(shown, "witness", *lots)
    record = seen(np.random.default_rng(5), cup, (2,))
    marked = Mark(t=T0 + cup.gel_s, verb="kicked", cup="cup-1")
    watched(watcher, record, cup.room_c, extra=[started(lot="r-01"), marked], is_marked=False)
    firsts = {}
    for number, lot in enumerate(("r-01", "r-02"), 1):
        again = replace(started(T0 + 9000.0 * number, lot=lot), subject=replace(POUR, pour=f"cup-1-{number}"))
        (first,) = of(KickForecast, watcher.see(again))
        firsts[lot] = (first.late - first.early, abs(math.log((first.at - again.mix_t) / cup.gel_s)))
    assert firsts["r-01"][0] < 0.7 * firsts["r-02"][0]
    assert firsts["r-01"][1] < 0.08, "the same cup again"
