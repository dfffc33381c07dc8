"""Sums on damp air: its dew point in the room and under pressure, and the water it brings to a resin.

Theory.  Vapour pressure e = RH/100 es(T).  Compressing air without losing water keeps the vapour's mole share, so e
grows with the absolute pressure; the pressure dew point is where es reaches it.  Real air holds slightly more water
than es says: the enhancement factor f(T, p), 1.004 at 1 atm and 1.016 at 4 bar gauge, which lowers a pressure dew
point by about 0.25 K there.  Temperatures C, pressures Pa absolute, humidity % over liquid water.

Sources: [1] Sonntag D., "Advancements in the field of hygrometry", Meteorol. Z. N. F. 3 (1994) 51, equation 7,
saturation over water and ice on ITS-90.  [2] Greenspan L., "Functional equations for the enhancement factors for
CO2-free moist air", J. Res. Natl. Bur. Stand. 80A (1976) 41.  Atomic weights: IUPAC.
"""

from __future__ import annotations

import math

from benchd.physics.constants import GAS_CONSTANT_J_MOL_K, ZERO_C_K

WATER_G_MOL = 18.01528

_RANGE_C = (-100.0, 100.0)  # [1]'s own
_LEAST_VAPOUR_PA = 1e-3  # about the saturation pressure at -100 C: drier than that reads as that


def _ln_over_water(temp_k: float) -> float:
    poly = 21.2409642 - 2.711193e-2 * temp_k + 1.673952e-5 * temp_k * temp_k
    return -6096.9385 / temp_k + poly + 2.433502 * math.log(temp_k)


def _ln_over_ice(temp_k: float) -> float:
    poly = 29.32707 + 1.0613868e-2 * temp_k - 1.3198825e-5 * temp_k * temp_k
    return -6024.5282 / temp_k + poly - 0.49382577 * math.log(temp_k)


def saturation_pa(temp_c: float) -> float:
    """Saturation vapour pressure es [Pa] over water, below 0 C over ice: Sonntag's formula for ln es(T) [1].

    temp_c: -100 to 100 C; ValueError outside.

    >>> round(saturation_pa(20.0), 1)
    2339.2
    """
    temp_k = _kelvin(temp_c)
    return math.exp(_ln_over_water(temp_k) if temp_c >= 0.0 else _ln_over_ice(temp_k))


def _kelvin(temp_c: float) -> float:
    if not _RANGE_C[0] <= temp_c <= _RANGE_C[1]:
        raise ValueError(f"temperature {temp_c} C is outside {_RANGE_C[0]} .. {_RANGE_C[1]}")
    return temp_c + ZERO_C_K


def vapour_pa(temp_c: float, rh_pct: float) -> float:
    """Partial pressure of the water vapour in air [Pa]: e = RH/100 es(T), es over liquid water below 0 C too.

    temp_c: -100 to 100 C; rh_pct: relative humidity over liquid water, as hygrometers are calibrated (WMO-No. 8,
    "Guide to Instruments and Methods of Observation", chapter 4), 0 to 110 %.  Raises ValueError outside.

    >>> round(vapour_pa(20.0, 50.0), 1)
    1169.6
    """
    if not 0.0 <= rh_pct <= 110.0:  # fog and a probe's own error reach a little past 100
        raise ValueError(f"humidity {rh_pct} % is outside 0 .. 110")
    return rh_pct / 100.0 * math.exp(_ln_over_water(_kelvin(temp_c)))


def dew_point_of_vapour_c(vapour: float) -> float:
    """Dew point [C] (below 0 C the frost point) of air whose vapour pressure is `vapour` [Pa].

    Newton on ln es over 1/T, in which it is nearly straight; agrees with `saturation_pa` to 1e-6 K.
    Drier or damper than [1] reaches reads as the end of the scale, -100 or 100 C.  Raises ValueError below 0 or on NaN.
    """
    if not vapour >= 0.0:
        raise ValueError(f"vapour pressure {vapour} Pa is below 0")
    target = math.log(min(max(vapour, _LEAST_VAPOUR_PA), saturation_pa(_RANGE_C[1])))
    ln_es = _ln_over_water if vapour >= saturation_pa(0.0) else _ln_over_ice
    inverse_k = 1.0 / (ZERO_C_K + (10.0 if ln_es is _ln_over_water else -20.0))
    for _ in range(30):
        here = ln_es(1.0 / inverse_k)
        step = 1e-3 * inverse_k
        slope = (ln_es(1.0 / (inverse_k + step)) - here) / step
        change = (target - here) / slope
        inverse_k += change
        if abs(change) < 1e-10 * inverse_k:
            break
    return max(1.0 / inverse_k - ZERO_C_K, _RANGE_C[0])


def dew_point_c(temp_c: float, rh_pct: float) -> float:
    """Dew point [C] of air at temp_c [C] and rh_pct [%]; below 0 C the frost point.  Raises ValueError on a bad range.

    >>> round(dew_point_c(22.8, 52.0), 1)
    12.4
    """
    return dew_point_of_vapour_c(vapour_pa(temp_c, rh_pct))


def enhancement(temp_c: float, pa_abs: float) -> float:
    """Factor f(T, p) by which air at pa_abs [Pa] holds more water than es(temp_c) says: Greenspan's equation [2].

    Within 0.06 % of CoolProp over 0..40 C and 1..5 bar; used a little below 0 C too, where it is 0.1 % low at 5 bar.

    >>> round(enhancement(20.0, 101325.0), 3)
    1.004
    """
    es = saturation_pa(temp_c)
    t = temp_c  # [2]'s letter
    alpha = 3.53624e-4 + t * (2.9328363e-5 + t * (2.6168979e-7 + t * 8.5813609e-9))
    beta = math.exp(-10.7588 + t * (6.3268134e-2 + t * (-2.5368934e-4 + t * 6.3405286e-7)))
    return math.exp(alpha * (1.0 - es / pa_abs) + beta * (pa_abs / es - 1.0))


def pressure_dew_point_c(dew_c: float, from_pa_abs: float, to_pa_abs: float, *, real_gas: bool = True) -> float:
    """Dew point [C] after air of dew point dew_c at from_pa_abs is compressed to to_pa_abs, no water lost.

    Solves f(Td, p2) es(Td) = p2/p1 f(dew, p1) es(dew) for Td.  dew_c: -100 to 100 C; pressures [Pa absolute] above 0;
    ValueError outside.  With real_gas False, f = 1: the vapour pressure just scales with pressure, as published
    conversion tables have it.

    >>> round(pressure_dew_point_c(5.0, 101325.0, 500000.0), 1)
    30.0
    """
    if not (from_pa_abs > 0.0 and to_pa_abs > 0.0):
        raise ValueError(f"pressures {from_pa_abs}, {to_pa_abs} Pa must be positive")
    share = saturation_pa(dew_c) / from_pa_abs
    if not real_gas:
        return dew_point_of_vapour_c(share * to_pa_abs)
    share *= enhancement(dew_c, from_pa_abs)
    found_c = dew_point_of_vapour_c(share * to_pa_abs)
    for _ in range(4):  # f hardly changes with T: each round gains a factor of some hundred
        found_c = dew_point_of_vapour_c(share * to_pa_abs / enhancement(found_c, to_pa_abs))
    return found_c


WATER_CLASSES_C = ((-70.0, 1), (-40.0, 2), (-20.0, 3), (3.0, 4), (7.0, 5), (10.0, 6))
"""Highest pressure dew point [C] of each class of water vapour of ISO 8573-1:2010, table 2 (humidity)."""


def water_class(pressure_dew_c: float) -> int | None:
    """Class of compressed air by its pressure dew point [C] after ISO 8573-1; None: worse than class 6.

    Classes 7 to 9 go by grams of liquid water, which no probe here shows.

    >>> water_class(2.9), water_class(10.1)
    (4, None)
    """
    return next((number for most_c, number in WATER_CLASSES_C if pressure_dew_c <= most_c), None)


def compressed_rh_pct(room_c: float, room_rh_pct: float, pot_c: float, gauge_pa: float, p_atm_pa: float) -> float:
    """Humidity [%] in a pot filled with room air if no water was lost: RH es(Troom)/es(Tpot) (1 + Pg/Patm).

    room_c, pot_c: -100 to 100 C; room_rh_pct [%]; gauge_pa: Pg [Pa gauge]; p_atm_pa: Patm [Pa absolute], above 0.
    Above 100 % the water condenses.
    """
    here_pct = 100.0 * vapour_pa(room_c, room_rh_pct) / saturation_pa(pot_c)
    return here_pct * (1.0 + gauge_pa / p_atm_pa)


def pot_rh_pct(
    room_c: float, room_rh_pct: float, pot_c: float, gauge_pa: float, p_atm_pa: float,
    tank_c: float, tank_gauge_pa: float,
) -> float:  # fmt: skip
    """Humidity [%] in a pot at pot_c [C] filled to gauge_pa [Pa] from a tank; above 100 it condenses.

    The pot already holds room air; what is added carries the room's vapour, or, if less, what stays vapour in the tank
    at its temperature tank_c and the lowest pressure tank_gauge_pa of the charge (the rest lies there as water):
    r + min(r Pg/Patm, 100 Pg/(Ptank + Patm) es(Ttank)/es(Tpot)).  Ideal gas.  Raises ValueError on a bad range.
    """
    if tank_gauge_pa + p_atm_pa <= 0.0:
        raise ValueError(f"tank pressure {tank_gauge_pa} Pa gauge is below vacuum")
    here_pct = 100.0 * vapour_pa(room_c, room_rh_pct) / saturation_pa(pot_c)
    carried_pct = here_pct * gauge_pa / p_atm_pa
    let_through_pct = 100.0 * gauge_pa / (tank_gauge_pa + p_atm_pa) * saturation_pa(tank_c) / saturation_pa(pot_c)
    return here_pct + min(carried_pct, let_through_pct)


def absolute_humidity_g_m3(temp_c: float, vapour: float) -> float:
    """Water vapour [g/m3] of a partial pressure: ideal gas, e M/(R T).

    temp_c: the air's temperature [C]; vapour: partial pressure e [Pa].
    """
    return vapour * WATER_G_MOL / (GAS_CONSTANT_J_MOL_K * (temp_c + ZERO_C_K))


def water_in_pot_mg(free_l: float, pot_c: float, rh_pct: float) -> tuple[float, float]:
    """(vapour mg, condensed mg) in free_l [l] of a pot at pot_c [C] whose humidity would be rh_pct [%].

    The free space holds at most its saturated content, V es(T) M/(R T); what is above 100 % condenses.
    """
    full_mg = free_l * absolute_humidity_g_m3(pot_c, saturation_pa(pot_c))  # l g/m3 = mg
    return full_mg * min(rh_pct, 100.0) / 100.0, full_mg * max(rh_pct - 100.0, 0.0) / 100.0


def co2_volume_ml(water_mg: float, temp_c: float, pa_abs: float) -> float:
    """Volume [ml] of the CO2 when all that water meets isocyanate, 2 RNCO + H2O -> RNHCONHR + CO2, one mole for one:

    n R T/p of a free ideal gas, an upper bound of the foam, as part of it stays dissolved.

    water_mg: water that reacts [mg]; temp_c [C]; pa_abs: pressure [Pa absolute], above 0.
    """
    moles = water_mg / 1000.0 / WATER_G_MOL
    return 1e6 * moles * GAS_CONSTANT_J_MOL_K * (temp_c + ZERO_C_K) / pa_abs
