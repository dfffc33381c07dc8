"""Volumes against outside figures: water's density by table and library, Boyle's law, a cup's geometry."""

from __future__ import annotations

import pytest
from real_water import water

from benchd.shelf.volumes import (
    cup_height_mm,
    largest_pocket_ml,
    pocket_share,
    volume_from_casting_ml,
    volume_from_water_ml,
    water_g_ml,
)

PSI = 6.894757293168
# Tanaka et al., "Recommended table for the density of water between 0 C and 40 C based on recent experimental reports",
# Metrologia 38 (2001) 301, kg/m3
TABLE = {4.0: 999.9749, 10.0: 999.7027, 20.0: 998.2067, 25.0: 997.0470, 30.0: 995.6488}


@pytest.mark.parametrize(("temp_c", "kg_m3"), TABLE.items())
def test_water_by_the_recommended_table(temp_c: float, kg_m3: float) -> None:
    assert water_g_ml(temp_c) * 1000.0 == pytest.approx(kg_m3, abs=5e-4)


@pytest.mark.wide
@pytest.mark.parametrize("temp_c", [0.5, 5.0, 12.0, 18.0, 23.0, 31.0, 39.5])
def test_water_by_an_independent_library(temp_c: float) -> None:
    # CoolProp: IAPWS-95, stated to 1e-6 of the density near 1 bar; the two references differ by less than 5e-6
    assert water_g_ml(temp_c) * 1000.0 == pytest.approx(water("D", "T", temp_c + 273.15, "P", 101325), rel=1e-5)


@pytest.mark.parametrize("temp_c", [-0.1, 40.1, 95.0])
def test_water_outside_the_table_is_refused(temp_c: float) -> None:
    with pytest.raises(ValueError, match="between 0 and 40 C"):
        water_g_ml(temp_c)


def test_a_mold_filled_with_water() -> None:
    # by hand: 109.8 g of water at 20 C are 109.8 / 0.99821 = 110.0 ml, the torso's cavity and gates
    assert volume_from_water_ml(1209.8, 1100.0, 20.0) == pytest.approx(110.0, abs=0.01)
    with pytest.raises(ValueError, match="swapped"):
        volume_from_water_ml(1100.0, 1209.8, 20.0)


def test_a_casting_with_its_gates() -> None:
    assert volume_from_casting_ml(117.7, 1.07) == pytest.approx(110.0)
    with pytest.raises(ValueError, match="above zero"):
        volume_from_casting_ml(-1.0, 1.07)


def test_the_height_of_a_litre_in_a_cup() -> None:
    # by hand: a cup of 112.838 mm inside has a floor of 100 cm2, so that a litre stands 100 mm high
    assert cup_height_mm(1000.0, 112.838) == pytest.approx(100.0, rel=1e-5)
    with pytest.raises(ValueError, match="diameter"):
        cup_height_mm(10.0, 0.0)


def test_a_pocket_at_forty_psi_falls_to_27_per_cent() -> None:
    # Boyle: 14.696 / (14.696 + 40) = 0.2687; the trade's figure is 27 % (computed)
    assert pocket_share(40 * PSI, 14.696 * PSI) == pytest.approx(0.2687, abs=5e-5)
    assert largest_pocket_ml(8.0, 40 * PSI, 14.696 * PSI) == pytest.approx(8.0 / 0.7313, rel=1e-3)
    with pytest.raises(ValueError, match="absolute"):
        pocket_share(-101.3, 101.3)
