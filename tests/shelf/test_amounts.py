"""The batch of a casting day against the invented studio's own book: shots, A and B of its three loads."""

from __future__ import annotations

import pytest
from hypothesis import given
from hypothesis import strategies as st

from benchd.core.bench import Mold, Resin
from benchd.shelf.amounts import amounts, excess_b_if_weighed_by_volume, shot_g, split, weight_ratio_b

RESIN = Resin(
    id="fast", name="fast white", pot_life_s=180, demold_s=600, ratio_weight_b=0.9, density_a_g_ml=1.13,
    density_b_g_ml=1.02, density_cured_g_ml=1.07,
)  # fmt: skip

# code: cavity ml, gate and reservoir ml, shot g as the studio's book has it (cured density 1.07 g/ml)
BOOK = {
    "M01": (96, 14, 117.7), "M02": (28, 9, 39.6), "M03": (54, 12, 70.6), "M04": (142, 18, 171.2), "M05": (17, 8, 26.8),
    "M06": (36, 8, 47.1), "M07": (41, 11, 55.6), "M08": (118, 6, 132.7),
}  # fmt: skip


def mold(code: str) -> Mold:
    cavity_ml, rest_ml, _ = BOOK[code]
    # how the rest parts into gate and reservoir makes no difference to the batch
    return Mold(
        id=code.lower(), code=code, name=code, cavity_ml=cavity_ml, gate_ml=rest_ml / 4, reservoir_ml=rest_ml * 3 / 4,
        thin_mm=2.0, thick_mm=9.0,
    )  # fmt: skip


@pytest.mark.parametrize("code", sorted(BOOK))
def test_each_shot_is_the_books(code: str) -> None:
    assert shot_g(mold(code), 1.07) == pytest.approx(BOOK[code][2], abs=0.051)  # the book prints 0.1 g


@pytest.mark.parametrize(
    ("codes", "batch_g", "a_g", "b_g"),
    [
        ("M02 M03 M06 M01", 303, 159.5, 143.5),
        ("M05 M07 M04", 281, 147.9, 133.1),
        ("M08 M01", 278, 146.3, 131.7),
    ],
)
def test_each_load_is_mixed_as_the_book_has_it(codes: str, batch_g: float, a_g: float, b_g: float) -> None:
    batch = amounts([mold(code) for code in codes.split()], RESIN)
    assert batch.batch_g == batch_g
    assert (round(batch.a_g, 1), round(batch.b_g, 1)) == (a_g, b_g)
    assert batch.a_ml / batch.b_ml == pytest.approx(1.0, rel=0.004)  # 1:1 by volume, as the label rounds it
    assert not batch.is_small


def test_equal_volumes_are_100_to_90_by_weight() -> None:
    # 1.02 / 1.13 = 0.9027 by hand
    assert weight_ratio_b(1.0, 1.13, 1.02) == pytest.approx(0.9027, abs=5e-5)
    assert excess_b_if_weighed_by_volume(RESIN) == pytest.approx(0.11, abs=0.002)


def test_a_batch_below_85_g_is_called_small() -> None:
    assert amounts([mold("M05"), mold("M02")], RESIN, witness_g=0.0).is_small
    assert not amounts([mold("M07"), mold("M02")], RESIN, witness_g=0.0).is_small


def test_no_molds_is_refused() -> None:
    with pytest.raises(ValueError, match="no molds"):
        amounts([], RESIN)


@given(st.floats(1, 5000), st.floats(0.05, 20))
def test_a_and_b_make_up_the_batch_in_the_ratio(batch_g: float, ratio: float) -> None:
    a_g, b_g = split(batch_g, ratio)
    assert a_g + b_g == pytest.approx(batch_g)
    assert b_g == pytest.approx(a_g * ratio, rel=1e-9)


@given(st.lists(st.sampled_from(sorted(BOOK)), min_size=1, max_size=8))
def test_order_does_not_change_the_batch_and_nothing_is_lost(codes: list[str]) -> None:
    batch = amounts([mold(c) for c in codes], RESIN)
    other = amounts([mold(c) for c in reversed(codes)], RESIN)
    assert batch.batch_g == other.batch_g
    assert batch.fill_g + batch.film_g + batch.witness_g == pytest.approx(batch.batch_g)
    assert batch.film_g == pytest.approx(0.03 * batch.fill_g, abs=0.51)
