"""Humid air against published tables, CoolProp (IAPWS-95 and real humid air) and PsychroLib (ASHRAE)."""

import math
from collections.abc import Callable

import psychrolib
import pytest
from measured_air import WEATHER_DAY
from real_water import humid_air, water

from benchd.physics import humid_air as air

ATM_PA = 101325.0


@pytest.fixture(autouse=True)
def _metric() -> None:
    psychrolib.SetUnitSystem(psychrolib.SI)


# Sonntag 1994 (Meteorol. Z. 3, 51) column computed from the published coefficients; IAPWS-95 by CoolProp; T [C], Pa
SATURATION = [(5, 872.540, 872.575), (10, 1228.133, 1228.199), (15, 1705.713, 1705.793), (20, 2339.249, 2339.318),
              (25, 3169.904, 3169.929), (30, 4247.029, 4246.971), (40, 7385.296, 7384.938), (60, 19947.664, 19946.434)]  # fmt: skip # noqa: E501


@pytest.mark.parametrize(("temp_c", "sonntag_pa", "iapws_pa"), SATURATION)
def test_saturation_over_water(temp_c: float, sonntag_pa: float, iapws_pa: float) -> None:
    assert air.saturation_pa(temp_c) == pytest.approx(sonntag_pa, abs=0.001)
    assert air.saturation_pa(temp_c) == pytest.approx(iapws_pa, rel=1e-4)


def test_saturation_over_water_follows_the_reference_equation_of_state() -> None:
    # IAPWS-95 by CoolProp, 1..95 C
    for temp_c in range(1, 96, 2):
        assert air.saturation_pa(temp_c) == pytest.approx(water("P", "T", temp_c + 273.15, "Q", 0), rel=2e-4)


ICE = ((-21.2144006, 3.33333333e-3), (27.3203819, 1.20666667), (-6.10598130, 1.70333333))


def ice_pa(temp_c: float) -> float:
    """IAPWS R14-08(2011), "Revised Release on the Pressure along the Melting and Sublimation Curves of Ordinary Water
    Substance", equation 6, http://www.iapws.org/relguide/MeltSub.html; valid from 50 to 273.16 K."""
    theta = (temp_c + 273.15) / 273.16
    return 611.657 * math.exp(sum(a * theta**b for a, b in ICE) / theta)


def test_the_reference_for_ice_gives_its_own_check_value() -> None:
    assert ice_pa(230.0 - 273.15) == pytest.approx(8.94735, abs=5e-6)  # the release's value at 230 K


@pytest.mark.parametrize("frost_c", [-60.0, -50.0, -40.0, -30.0, -20.0, -10.0, 0.0])
def test_saturation_over_ice_and_absolute_humidity_follow_the_reference(frost_c: float) -> None:
    vapour = air.saturation_pa(frost_c)
    assert vapour == pytest.approx(ice_pa(frost_c), rel=0.0015)
    # an ideal gas of 18.01528 g/mol at 20 C; R by CODATA 2018
    assert air.absolute_humidity_g_m3(20.0, vapour) == pytest.approx(
        18.01528 * vapour / (8.314462618 * 293.15), rel=2e-3
    )


# room T C, RH %, dew point C: PsychroLib (ASHRAE Handbook 2017, chapter 1)
@pytest.mark.parametrize(
    ("temp_c", "rh_pct", "dew_c"),
    [(15, 20, -6.9017), (15, 30, -2.1413), (15, 40, 1.5216), (30, 40, 14.9358), (30, 60, 21.3880), (30, 80, 26.1686)],
)
def test_dew_point_check_values(temp_c: float, rh_pct: float, dew_c: float) -> None:
    assert air.dew_point_c(temp_c, rh_pct) == pytest.approx(dew_c, abs=0.01)


def test_dew_point_agrees_with_psychrolib() -> None:
    # PsychroLib 2.5; its own stated accuracy of the dew point is 0.01 C, plus 0.03 % between Hyland-Wexler and Sonntag
    for temp_c in (10.0, 18.0, 21.5, 24.1, 30.0, 38.0):
        for rh_pct in (5.0, 20.0, 44.0, 52.0, 64.0, 95.0, 100.0):
            expected = psychrolib.GetTDewPointFromRelHum(temp_c, rh_pct / 100.0)
            assert air.dew_point_c(temp_c, rh_pct) == pytest.approx(expected, abs=0.02)


def test_vapour_pressure_agrees_with_psychrolib() -> None:
    for temp_c in (5.0, 21.5, 35.0):
        expected = psychrolib.GetVapPresFromRelHum(temp_c, 0.64)
        assert air.vapour_pa(temp_c, 64.0) == pytest.approx(expected, rel=5e-4)


def test_dew_point_of_saturated_air_is_its_temperature_and_of_dry_air_the_end_of_the_scale() -> None:
    for temp_c in (-60.0, -5.0, 0.0, 1.0, 23.0, 90.0):
        assert air.dew_point_of_vapour_c(air.saturation_pa(temp_c)) == pytest.approx(temp_c, abs=1e-6)
    assert air.dew_point_c(20.0, 0.0) == -100.0
    assert air.dew_point_of_vapour_c(5e5) == pytest.approx(100.0)


# "Pressure Dew Point Conversion Tables", by Sonntag's formula, p_atm 1.01325 bar:
# https://www.processsensing.com/en-us/blog/pressure-dew-point-conversion-tables.htm
# dew point at atmosphere C -> {bar gauge: pressure dew point C}
PRESSURE_DEW = {
    -100: {1: -96.57, 2: -94.49, 3: -92.99, 4: -91.80, 5: -90.82, 8: -88.60},
    -70: {1: -65.28, 3: -60.31, 4: -58.66, 5: -57.29, 8: -54.18},
    -40: {1: -33.77, 3: -27.17, 4: -24.96, 5: -23.13, 8: -18.95},
    -20: {1: -12.64, 3: -4.79, 4: -2.16, 5: 0.03, 8: 5.74},
    -10: {1: -2.03, 3: 7.39, 4: 10.69, 5: 13.45, 8: 19.81},
    0: {1: 9.83, 3: 20.55, 4: 24.21, 5: 27.28, 8: 34.37},
}


@pytest.mark.parametrize("dew_c", list(PRESSURE_DEW))
def test_pressure_dew_point_follows_the_published_table(dew_c: int) -> None:
    for gauge_bar, expected_c in PRESSURE_DEW[dew_c].items():
        found_c = air.pressure_dew_point_c(dew_c, ATM_PA, ATM_PA + 1e5 * gauge_bar, real_gas=False)
        assert found_c == pytest.approx(expected_c, abs=0.011)


@pytest.mark.parametrize("pa_abs", [1.5e5, 2e5, 3e5, 377115.0, 5e5])
@pytest.mark.parametrize(("temp_c", "rh_pct"), [(18.0, 45.0), (21.5, 44.0), (24.1, 64.0), (30.0, 30.0), (30.0, 80.0)])
def test_pressure_dew_point_agrees_with_real_humid_air(pa_abs: float, temp_c: float, rh_pct: float) -> None:
    # CoolProp humid air: same humidity ratio, higher pressure (its RH counts the factor f at 1 atm too)
    w = humid_air("W", "T", temp_c + 273.15, "P", ATM_PA, "R", rh_pct / 100.0)
    expected_c = humid_air("D", "T", 340.0, "P", pa_abs, "W", w) - 273.15
    dew_c = humid_air("D", "T", temp_c + 273.15, "P", ATM_PA, "W", w) - 273.15
    assert air.pressure_dew_point_c(dew_c, ATM_PA, pa_abs) == pytest.approx(expected_c, abs=0.03)
    # leaving the real gas out is what costs the quarter degree
    ideal_c = air.pressure_dew_point_c(dew_c, ATM_PA, pa_abs, real_gas=False)
    assert 0.0 < ideal_c - expected_c < 0.35


def supercooled_pa(temp_c: float) -> float:
    """Vapour pressure over liquid water, below 0 C too: Murphy and Koop, Q J R Meteorol Soc 131 (2005) 1539, eq. 10."""
    t = temp_c + 273.15
    bend = math.tanh(0.0415 * (t - 218.8)) * (53.878 - 1331.22 / t - 9.44523 * math.log(t) + 0.014025 * t)
    return math.exp(54.842763 - 6763.22 / t - 4.21 * math.log(t) + 0.000367 * t + bend)


@pytest.mark.parametrize("tank_bar", [3.0, 7.0, 10.0])
def test_a_measured_days_dew_points_in_a_tank_agree_with_real_humid_air(tank_bar: float) -> None:
    """What a weather station read all day, taken into a compressor's tank; a hygrometer's percent is over water."""
    for temp_c, rh_pct, here_hpa in WEATHER_DAY[::20]:
        here_pa, tank_pa = here_hpa * 100.0, tank_bar * 1e5
        wet = rh_pct / 100.0 * supercooled_pa(temp_c) / here_pa
        expected_c = humid_air("D", "T", 340.0, "P", tank_pa, "psi_w", wet) - 273.15
        found_c = air.pressure_dew_point_c(air.dew_point_c(temp_c, rh_pct), here_pa, tank_pa)
        assert found_c == pytest.approx(expected_c, abs=0.2)


def test_enhancement_factor_agrees_with_real_humid_air() -> None:
    # CoolProp: saturated mole fraction x p / es
    for pa_abs in (1e5, 2e5, 377115.0, 5e5):
        for temp_c in (0.5, 10.0, 20.0, 30.0, 40.0):
            x = humid_air("psi_w", "T", temp_c + 273.15, "P", pa_abs, "R", 1.0)
            expected = x * pa_abs / air.saturation_pa(temp_c)
            assert air.enhancement(temp_c, pa_abs) == pytest.approx(expected, abs=6e-4)


def test_room_air_condenses_at_forty_psi_above_twenty_seven_percent() -> None:
    # trade rule "above about 27 % room RH" (calculated there); atmosphere 14.7 psi against 54.7 psi absolute
    assert air.compressed_rh_pct(22.0, 26.9, 22.0, 40 * 6894.757, ATM_PA) == pytest.approx(100.0, abs=0.2)


# water held by saturated compressed air, kg per m3 of free air: "Compressed Air - Water Content",
# https://www.engineeringtoolbox.com/water-content-compressed-air-d_1275.html
@pytest.mark.parametrize(
    ("gauge_bar", "temp_c", "kg_m3"), [(0, 20, 0.018), (8, 40, 0.0062), (8, 20, 0.0019), (6, 40, 0.0079)]
)
def test_water_left_in_saturated_compressed_air(gauge_bar: float, temp_c: float, kg_m3: float) -> None:
    inside_g_m3 = air.absolute_humidity_g_m3(temp_c, air.saturation_pa(temp_c))
    per_free_m3 = inside_g_m3 * ATM_PA / (ATM_PA + 1e5 * gauge_bar) * (temp_c + 273.15) / 293.15 / 1000.0
    assert per_free_m3 == pytest.approx(kg_m3, rel=0.08)  # the table's two printed digits


def test_moisture_of_warm_saturated_air() -> None:
    # "What is Compressed Air Humidity?", 39.63 g/m3 at 35 C, 17.3 g/m3 at 20 C:
    # https://www.alup.com/en-uk/know-your-air/what-is-compressed-air-humidity
    for temp_c, g_m3 in ((35.0, 39.63), (20.0, 17.3)):
        assert air.absolute_humidity_g_m3(temp_c, air.saturation_pa(temp_c)) == pytest.approx(g_m3, rel=0.002)


class TestPotBehindATank:
    """r + min(r Pg/14.7, 100 Pg/(Ptank+14.7) es(Ttank)/es(Tpot)), computed here by a balance of moles instead."""

    @staticmethod
    def balance_pct(
        room_c: float, rh_pct: float, pot_c: float, gauge_pa: float, tank_c: float, tank_gauge_pa: float
    ) -> float:
        def es(temp_c: float) -> float:
            return water("P", "T", temp_c + 273.15, "Q", 0)

        in_room = rh_pct / 100.0 * es(room_c) / ATM_PA  # mole share
        in_tank = min(in_room, es(tank_c) / (tank_gauge_pa + ATM_PA))
        return 100.0 * (in_room * ATM_PA + in_tank * gauge_pa) / es(pot_c)

    @pytest.mark.parametrize("tank_c", [5.0, 24.1, 33.1, 60.0])
    @pytest.mark.parametrize("rh_pct", [10.0, 30.0, 64.0])
    def test_is_a_balance_of_moles(self, tank_c: float, rh_pct: float) -> None:
        given = (24.1, rh_pct, 23.0, 289580.0)
        expected = self.balance_pct(*given, tank_c, 586054.0)
        assert air.pot_rh_pct(*given, ATM_PA, tank_c, 586054.0) == pytest.approx(expected, rel=5e-4)

    def test_a_cool_tank_dries_and_a_hot_one_does_not(self) -> None:
        cool = air.pot_rh_pct(24.1, 64.0, 24.1, 289580.0, ATM_PA, 24.1, 586054.0)
        hot = air.pot_rh_pct(24.1, 64.0, 24.1, 289580.0, ATM_PA, 33.1, 586054.0)
        assert cool < hot < air.compressed_rh_pct(24.1, 64.0, 24.1, 289580.0, ATM_PA)
        assert hot > 100.0

    def test_no_pressure_is_the_rooms_own_humidity(self) -> None:
        assert air.pot_rh_pct(22.0, 40.0, 22.0, 0.0, ATM_PA, 22.0, 5e5) == pytest.approx(40.0)


def test_water_in_the_pot_is_kept_over_vapour_and_condensate() -> None:
    vapour_mg, liquid_mg = air.water_in_pot_mg(13.0, 20.0, 150.0)
    assert vapour_mg == pytest.approx(13.0 * 17.3, rel=0.002)  # saturated air at 20 C holds 17.3 g/m3 (as above)
    assert liquid_mg == pytest.approx(vapour_mg / 2.0)
    assert air.water_in_pot_mg(13.0, 20.0, 50.0) == pytest.approx((vapour_mg / 2.0, 0.0))


def test_water_and_isocyanate_give_carbon_dioxide() -> None:
    # 2 RNCO + H2O -> RNHCONHR + CO2: 1 mg water -> 1.335 ml at 20 C (stoichiometry, ideal gas)
    for temp_c, pa_abs, ml in (
        (20, ATM_PA, 1.33526),
        (25, ATM_PA, 1.35804),
        (0, ATM_PA, 1.24416),
        (20, 377115.0, 0.35876),
    ):
        assert air.co2_volume_ml(1.0, temp_c, pa_abs) == pytest.approx(ml, rel=1e-4)
    assert air.co2_volume_ml(50.0 * 100.0 / 1000.0, 20.0, ATM_PA) == pytest.approx(6.676, rel=1e-3)  # 100 g, 50 ppm


def test_values_out_of_range_are_refused() -> None:
    calls: tuple[Callable[[], float], ...] = (
        lambda: air.saturation_pa(math.nan),
        lambda: air.saturation_pa(101.0),
        lambda: air.vapour_pa(20.0, -1.0),
        lambda: air.vapour_pa(20.0, math.nan),
        lambda: air.dew_point_of_vapour_c(-5.0),
        lambda: air.dew_point_of_vapour_c(math.nan),
        lambda: air.pressure_dew_point_c(10.0, 0.0, 3e5),
        lambda: air.pot_rh_pct(20.0, 40.0, 20.0, 3e5, ATM_PA, 20.0, -2e5),
    )
    for call in calls:
        with pytest.raises(ValueError, match=r"outside|positive|below"):
            call()


# ISO 8573-1:2010, Compressed air - Part 1: Contaminants and purity classes, table 2 (humidity and liquid water): class
# and highest pressure dew point [C]
ISO_8573_1 = [(1, -70.0), (2, -40.0), (3, -20.0), (4, 3.0), (5, 7.0), (6, 10.0)]


@pytest.mark.parametrize(("number", "most_c"), ISO_8573_1)
def test_water_classes_of_compressed_air(number: int, most_c: float) -> None:
    assert air.water_class(most_c) == number
    assert air.water_class(most_c + 0.1) == (number + 1 if number < 6 else None)
