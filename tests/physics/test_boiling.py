"""Boiling point against the formulation's own check values, the older steam tables' 100 C, and CoolProp (IAPWS-95)."""

import pytest
from real_water import water

from benchd.physics.boiling import RANGE_PA_ABS, boiling_point_c


# IAPWS R7-97(2012), table 36: saturation temperatures for computer-program verification,
# http://www.iapws.org/relguide/IF97-Rev.html
@pytest.mark.parametrize(("mpa", "kelvin"), [(0.1, 372.755919), (1.0, 453.035632), (10.0, 584.149488)])
def test_the_formulations_own_check_values(mpa: float, kelvin: float) -> None:
    assert boiling_point_c(1e6 * mpa) == pytest.approx(kelvin - 273.15, abs=1e-6)


def test_at_the_standard_atmosphere_it_is_the_its_90_boiling_point() -> None:
    # 99.974 C, the normal boiling point of water on ITS-90 (BIPM, supplementary information for the ITS-90)
    assert boiling_point_c(101325.0) == pytest.approx(99.974, abs=1e-3)


@pytest.mark.wide
@pytest.mark.parametrize("pa_abs", [700, 5_000, 20_000, 60_000, 80_000, 95_000, 101_325, 104_000, 400_000])
def test_it_agrees_with_iapws_95(pa_abs: float) -> None:
    off_c = 0.001 if 50_000 < pa_abs < 110_000 else 0.005
    assert boiling_point_c(pa_abs) == pytest.approx(water("T", "P", pa_abs, "Q", 0) - 273.15, abs=off_c)


@pytest.mark.parametrize("pa_abs", [0.0, RANGE_PA_ABS[0] - 1, RANGE_PA_ABS[1] + 1e3, float("nan")])
def test_where_water_cannot_boil_it_says_so(pa_abs: float) -> None:
    with pytest.raises(ValueError, match="outside"):
        boiling_point_c(pa_abs)
