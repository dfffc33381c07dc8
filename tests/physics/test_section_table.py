"""Does a looked-up section come near the solved one, and does a ratio error do what the trade and theory say?"""

from __future__ import annotations

import numpy as np
import pytest

from benchd.physics.cure_prior import label_belief
from benchd.physics.label_cure import cup_gel_s, cure_hash, is_learned, label_cure, resin_cure
from benchd.physics.section_table import PLANES, Conditions, SectionTable, solve, solve_table, table_from_plain, weighed

FAST = label_cure(180.0)


@pytest.fixture(scope="module")
def table() -> SectionTable:
    return solve_table(FAST, 180.0)


def cases(count: int, seed: int) -> list[Conditions]:
    rng = np.random.default_rng(seed)
    out = []
    for _ in range(count):
        room = float(rng.uniform(17.0, 28.0))
        out.append(
            Conditions(
                thick_mm=float(np.exp(rng.uniform(np.log(1.5), np.log(30.0)))), wall_mm=float(rng.uniform(10.0, 18.0)),
                lot=float(rng.normal(0.0, 0.25)), mix_c=room + float(rng.normal(0.0, 1.0)), room_c=room,
                mold_c=room if rng.random() < 0.6 else float(rng.uniform(room, 45.0)),
            )
        )  # fmt: skip
    return out


def test_looked_up_times_come_near_the_solved_ones(table: SectionTable) -> None:
    asked = cases(200, 7)
    solved = solve(FAST, asked, 180.0)
    for name in PLANES:
        off = np.abs([table.ln_times(c)[name] for c in asked] - np.log(getattr(solved, f"{name}_s")))
        # whether a section gets warm at all is a kink that no parabola follows
        is_kinked = name in ("cool", "cold")
        assert np.median(off) < (0.03 if is_kinked else 0.012)
        assert np.percentile(off, 95) < (0.15 if is_kinked else 0.06)
        assert off.max() < (0.6 if is_kinked else 0.25)


def test_beyond_the_axes_the_edge_holds(table: SectionTable) -> None:
    edge = table.ln_times(Conditions(thick_mm=1.2, mold_c=55.0))
    assert table.ln_times(Conditions(thick_mm=0.4, mold_c=80.0)) == edge


def test_a_table_travels_as_text(table: SectionTable) -> None:
    plain = table.to_plain()
    assert table_from_plain(plain) == table
    assert len(plain["times"]) + len(plain["ratios"]) < 40_000  # an input in the journal at each start
    for spoilt in ({}, {**plain, "times": "!"}, {**plain, "ratios": plain["ratios"][:40]}):
        with pytest.raises(ValueError, match="section table"):
            table_from_plain(spoilt)


def test_ten_per_cent_off_goes_soft_or_takes_far_longer(table: SectionTable) -> None:
    """Common practice: 10 % off goes soft or tacky, 2 % is what a scale must hold."""
    right = table.ln_times(Conditions(thick_mm=6.0))["hard"]
    for ratio in (0.9, 1.111):
        assert table.ln_times(Conditions(thick_mm=6.0, ratio=ratio))["hard"] - right > np.log(1.5)
    for ratio in (0.98, 1.02):
        assert 0.0 < table.ln_times(Conditions(thick_mm=6.0, ratio=ratio))["hard"] - right < np.log(1.35)
    assert table.ln_times(Conditions(thick_mm=6.0, ratio=1.0))["hard"] == right


def test_the_short_part_sets_heat_and_gel() -> None:
    """Flory, Stockmayer: gel of the minority groups at 1/sqrt(r (f-1)(g-1)): r = 0.9 raises .7071 to .7454."""
    off, speed = weighed(FAST, 0.9)
    assert off.gel_conversion / FAST.gel_conversion == pytest.approx(0.745356 / 0.707107, rel=1e-4)
    assert off.rise_k < FAST.rise_k
    assert speed < 1.0
    assert weighed(FAST, 1.0)[0].rise_k == FAST.rise_k


@pytest.mark.parametrize(("pot_life_s", "mass_g"), [(180.0, 100.0), (1200.0, 100.0), (420.0, 50.0)])
def test_a_labels_own_cup_gels_at_the_labels_pot_life(pot_life_s: float, mass_g: float) -> None:
    cure = label_cure(pot_life_s, mass_g)
    tau_s = 1590.0 * (mass_g / 100.0) ** (1 / 3)
    assert cup_gel_s(cure, cure.k_per_s, 23.0, tau_s, 1e6) == pytest.approx(pot_life_s, rel=1e-3)


def test_ten_kelvin_colder_doubles_the_cups_time() -> None:
    """x1.8 to x2.5 per 10 C: published guidance, common practice."""
    cold, warm = (cup_gel_s(FAST, FAST.k_per_s, c, 1590.0, 1e6) for c in (18.0, 28.0))
    assert 1.8 < cold / warm < 2.5


def test_an_impossible_label_is_refused() -> None:
    for pot_life_s, mass_g in ((0.0, 100.0), (-5.0, 100.0), (180.0, 0.0)):
        with pytest.raises(ValueError, match="positive"):
            label_cure(pot_life_s, mass_g)


def test_a_learned_cure_is_used_and_a_spoilt_one_is_as_good_as_none() -> None:
    learned = label_belief(0.1)
    learned.means[:, 0] = 0.3
    learned.ln_weights[:] = (-30.0, 0.0, -30.0)
    plain = learned.to_plain()
    assert is_learned(plain)
    made = resin_cure(180.0, 100.0, plain)
    assert (made.m, made.e_j_mol) == (FAST.m, FAST.e_j_mol)  # only the speed is taken over
    assert cup_gel_s(made, made.k_per_s, 23.0, 1590.0, 1e6) == pytest.approx(180.0 * np.exp(-0.3), rel=0.05)
    assert not is_learned({"means": "x"})
    assert resin_cure(180.0, 100.0, {"means": "x"}) == FAST


def test_a_tables_name_follows_label_and_learned_cure() -> None:
    plain = label_belief(0.1).to_plain()
    names = [
        cure_hash(180.0, 100.0, {}), cure_hash(181.0, 100.0, {}), cure_hash(180.0, 90.0, {}),
        cure_hash(180.0, 100.0, plain),
    ]  # fmt: skip
    assert len(dict.fromkeys(names)) == 4
    assert cure_hash(180.0, 100.0, {"means": "x"}) == names[0]
