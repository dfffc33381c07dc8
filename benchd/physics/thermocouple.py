"""Converts thermocouple voltage to temperature and back: types K, J and T.

Reference functions of types K, J and T on ITS-90: piecewise polynomials in C giving mV, with one Gaussian term more for
type K above 0 C.  Source: NIST Monograph 175 (1993) and NIST Standard Reference Database 60; IEC 60584-1:2013 carries
the same functions.  The inverse is Newton's method on the forward function itself, kept between brackets, so that
there and back agree to rounding rather than to the 0.05 C of the published inverse polynomials.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Literal

Kind = Literal["K", "J", "T"]
ToleranceClass = Literal[1, 2, 3]


@dataclass(frozen=True, slots=True)
class _Piece:
    """One polynomial: valid from low_c to high_c, coefficients in mV/C^n, lowest power first."""

    low_c: float
    high_c: float
    mv: tuple[float, ...]


# NIST SRD 60, coefficients of the reference functions E(t90), mV
_PIECES: dict[str, tuple[_Piece, ...]] = {
    "K": (
        _Piece(-270.0, 0.0, (
            0.0, 0.394501280250e-1, 0.236223735980e-4, -0.328589067840e-6, -0.499048287770e-8, -0.675090591730e-10,
            -0.574103274280e-12, -0.310888728940e-14, -0.104516093650e-16, -0.198892668780e-19, -0.163226974860e-22,
        )),
        _Piece(0.0, 1372.0, (
            -0.176004136860e-1, 0.389212049750e-1, 0.185587700320e-4, -0.994575928740e-7, 0.318409457190e-9,
            -0.560728448890e-12, 0.560750590590e-15, -0.320207200030e-18, 0.971511471520e-22, -0.121047212750e-25,
        )),
    ),
    "J": (
        _Piece(-210.0, 760.0, (
            0.0, 0.503811878150e-1, 0.304758369300e-4, -0.856810657200e-7, 0.132281952950e-9, -0.170529583370e-12,
            0.209480906970e-15, -0.125383953360e-18, 0.156317256970e-22,
        )),
        _Piece(760.0, 1200.0, (
            0.296456256810e3, -0.149761277860e1, 0.317871039240e-2, -0.318476867010e-5, 0.157208190040e-8,
            -0.306913690560e-12,
        )),
    ),
    "T": (
        _Piece(-270.0, 0.0, (
            0.0, 0.387481063640e-1, 0.441944343470e-4, 0.118443231050e-6, 0.200329735540e-7, 0.901380195590e-9,
            0.226511565930e-10, 0.360711542050e-12, 0.384939398830e-14, 0.282135219250e-16, 0.142515947790e-18,
            0.487686622860e-21, 0.107955392700e-23, 0.139450270620e-26, 0.797951539270e-30,
        )),
        _Piece(0.0, 400.0, (
            0.0, 0.387481063640e-1, 0.332922278800e-4, 0.206182434040e-6, -0.218822568460e-8, 0.109968809280e-10,
            -0.308157587720e-13, 0.454791352900e-16, -0.275129016730e-19,
        )),
    ),
}  # fmt: skip
_K_GAUSSIAN = (0.118597600000, -0.118343200000e-3, 0.126968600000e3)  # a0 exp(a1 (t - a2)^2), t > 0 C, same source

# IEC 60584-1:2013 tolerance classes, (low C, high C, least C, share of |t|); the larger rules
_TOLERANCES: dict[tuple[str, int], tuple[float, float, float, float]] = {
    ("K", 1): (-40.0, 1000.0, 1.5, 0.004), ("K", 2): (-40.0, 1200.0, 2.5, 0.0075), ("K", 3): (-200.0, 40.0, 2.5, 0.015),
    ("J", 1): (-40.0, 750.0, 1.5, 0.004), ("J", 2): (-40.0, 750.0, 2.5, 0.0075),
    ("T", 1): (-40.0, 350.0, 0.5, 0.004), ("T", 2): (-40.0, 350.0, 1.0, 0.0075), ("T", 3): (-200.0, 40.0, 1.0, 0.015),
}  # fmt: skip


def range_c(kind: Kind) -> tuple[float, float]:
    """The temperatures [C] over which the type's reference function is defined.

    >>> range_c("K")
    (-270.0, 1372.0)
    """
    pieces = _PIECES[kind]
    return pieces[0].low_c, pieces[-1].high_c


def _emf_and_slope(kind: Kind, temp_c: float) -> tuple[float, float]:
    """(mV, mV/C) at temp_c; Horner for the polynomial and its derivative together."""
    piece = next(p for p in _PIECES[kind] if temp_c <= p.high_c)
    emf = slope = 0.0
    for coefficient in reversed(piece.mv):
        slope = slope * temp_c + emf
        emf = emf * temp_c + coefficient
    if kind == "K" and temp_c > 0.0:
        size, narrowness, center = _K_GAUSSIAN
        bump = size * math.exp(narrowness * (temp_c - center) ** 2)
        emf += bump
        slope += bump * 2.0 * narrowness * (temp_c - center)
    return emf, slope


def _checked(name: str, value: float, low: float, high: float) -> None:
    if not low <= value <= high:  # NaN fails too
        raise ValueError(f"{name} {value} is outside {low} .. {high}")


def emf_mv(kind: Kind, temp_c: float) -> float:
    """Voltage [mV] of a thermocouple with its measuring junction at temp_c [C] and its reference junction at 0 C.

    Source: NIST Monograph 175.  Raises ValueError outside the type's range.

    >>> round(emf_mv("K", 100.0), 3)
    4.096
    """
    _checked("temperature", temp_c, *range_c(kind))
    return _emf_and_slope(kind, temp_c)[0]


def temperature_c(kind: Kind, mv: float) -> float:
    """Temperature [C] at which the reference function gives mv [mV], reference junction at 0 C.

    Newton on the forward function, bisecting whenever a step would leave the bracket; agrees with it to 1e-6 mV.
    Raises ValueError when mv lies outside the type's range.

    >>> round(temperature_c("K", 4.096), 2)
    99.99
    """
    low_c, high_c = range_c(kind)
    _checked("voltage", mv, _emf_and_slope(kind, low_c)[0], _emf_and_slope(kind, high_c)[0])
    guess_c = min(max(mv / 0.04, low_c), high_c)
    for _ in range(100):
        emf, slope = _emf_and_slope(kind, guess_c)
        if emf > mv:
            high_c = guess_c
        else:
            low_c = guess_c
        step_c = (mv - emf) / slope if slope > 0.0 else math.inf
        following_c = guess_c + step_c
        if not low_c <= following_c <= high_c:
            following_c = 0.5 * (low_c + high_c)
        if abs(following_c - guess_c) < 1e-7:
            return following_c
        guess_c = following_c
    return guess_c


def compensated_c(kind: Kind, measured_mv: float, cold_junction_c: float) -> float:
    """Temperature [C] of the measuring junction from the measured voltage [mV] and the terminals' temperature [C].

    Voltages add, temperatures don't: t = inverse(measured + emf(cold junction)).  Raises ValueError outside the range.

    >>> round(compensated_c("K", 3.0, 25.0), 1)
    97.7
    """
    return temperature_c(kind, measured_mv + emf_mv(kind, cold_junction_c))


def tolerance_c(kind: Kind, tolerance_class: ToleranceClass, temp_c: float) -> float:
    """Largest deviation [C] a new thermocouple of this IEC 60584-1 class may show at temp_c [C].

    Source: IEC 60584-1:2013, tolerance classes.  Raises ValueError where the class is not defined.

    >>> tolerance_c("K", 1, 100.0)
    1.5
    """
    row = _TOLERANCES.get((kind, tolerance_class))
    if row is None:
        raise ValueError(f"type {kind} has no class {tolerance_class} here")
    low_c, high_c, least_c, share = row
    _checked("temperature", temp_c, low_c, high_c)
    return max(least_c, share * abs(temp_c))
