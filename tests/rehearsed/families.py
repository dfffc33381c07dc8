"""Cure families that benchd's model was not made from: each a paper's rate law, with its own gel, heat, probe and hard.

    two-rate    Kamal and Sourour, Polym Eng Sci 13 (1973) 59: (k1 + k2 a^m)(1 - a)^n, each k with its own energy; those
                of a natural polyol with isocyanate, 60.1 and 83.6 kJ/mol (abstract seen), scattered.  Gel at one
                conversion of Flory's.  A cylinder in a plastic cup.  Hard by DiBenedetto's Tg.
    delayed     second order, as casting urethanes (Lipshitz and Macosko, J Appl Polym Sci 21 (1977) 2029), energy about
                56 kJ/mol (castor oil and MDI, catalysed: Milanese et al., J Appl Polym Sci 122 (2011) 3168, abstract
                seen), by a catalyst that wakes at a rate of its own.  Gel by stoichiometry.  A ball cooled by free
                convection.  Hard by conversion and a softening point.
    diffusion   autocatalytic, then held back by diffusion beyond a conversion that rises with temperature: Chern and
                Poehlein, Polym Eng Sci 27 (1987) 788.  Gel where the viscosity of Castro and Macosko, AIChE J 28 (1982)
                250 (as github.com/MoDeNa-EUProject/MoDeNa has it) reaches 1000 Pa s.  A shallow cup, a slab.  Hard by
                DiBenedetto's Tg.
    moisture    gelling and water, second and first order: Baser and Khakhar, Polym Eng Sci 34 (1994) 632; energies
                35.1 to 54.9 and 27.0 to 32.7 kJ/mol, heats 68.5 to 74.9 and 81.5 to 86 kJ/mol (as two public models
                repeat them), with the traces of water a damp bottle holds.  Gel of OH by stoichiometry.

Common to all, since it is the caster and not the resin: labels, lots, weighings, rooms (common practice, no source).
Speeds are set so that 100 g at 23 C gel at the label's pot life.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from math import exp, log, sqrt

import numpy as np
from rehearsed.shells import Array, Body, Course, run

GAS_J_MOL_K = 8.314462618
FAMILIES = ("two-rate", "delayed", "diffusion", "moisture")
LABEL_SD, LOT_SD, DEMOLD_SD = 0.10, 0.17, 0.12  # common practice, no source
NEVER = 6.0
LEAST_DEMOLD, MOST_DEMOLD = 2.0, 12.0  # times the pot life: what is sold; common practice, no source
Bools = np.ndarray[tuple[int, ...], np.dtype[np.bool_]]


def faster(e_j_mol: float, temp_c: Array) -> Array:
    """Rate over that at 25 C."""
    return np.asarray(np.exp(e_j_mol / GAS_J_MOL_K * (1.0 / 298.15 - 1.0 / (temp_c + 273.15))))


@dataclass(frozen=True, slots=True, kw_only=True)
class FamilyResin:
    """One resin of a family: numbers by name; speed is set to the label (true_s: what its 100 g truly take)."""

    family: str
    numbers: dict[str, float]
    pot_life_s: float
    speed: float = 1.0
    demold_s: float = 0.0

    def law(self, lot: float = 1.0, ratio: float = 1.0) -> Callable[[Array, Array], tuple[Array, Array]]:
        """Rates and heating of one mix; ratio: B per A over the right one."""
        made = _LAWS[self.family](self.numbers, ratio)
        speed = self.speed * lot

        def at(states: Array, temp_c: Array) -> tuple[Array, Array]:
            rates, heating = made(np.clip(states, 0.0, 1.0), np.clip(temp_c, -20.0, 220.0))
            return speed * rates, speed * heating

        return at

    def is_gelled(self, states: Array, temp_c: Array, ratio: float = 1.0) -> Bools:
        """True in each shell that has gelled."""
        return _GELS[self.family](self.numbers, states, temp_c, ratio)

    def is_hard(self, states: Array, temp_c: Array) -> Bools:
        """True in each shell that is cured enough and cool enough to keep its shape."""
        n, a = self.numbers, states[0]
        if self.family in ("two-rate", "diffusion"):
            bend = n["bend"]
            tg = n["tg0"] + (n["tg1"] - n["tg0"]) * bend * a / (1.0 - (1.0 - bend) * a)
            return np.asarray(tg - temp_c > n["margin"])
        return np.asarray((a > n["hard"]) & (temp_c < n["soft"]))


Made = Callable[[Array, Array], tuple[Array, Array]]


def _two_rate(n: dict[str, float], ratio: float) -> Made:
    short = min(1.0, ratio, 1.0 / ratio)

    def law(x: Array, temp_c: Array) -> tuple[Array, Array]:
        a = x[0]
        tg = n["tg0"] + (n["tg1"] - n["tg0"]) * n["bend"] * a / (1.0 - (1.0 - n["bend"]) * a)
        glassy = 1.0 / (1.0 + np.exp(np.clip((tg + 5.0 - temp_c) / 7.0, -40.0, 40.0)))
        rate = (n["k1"] * faster(n["e1"], temp_c) + faster(n["e2"], temp_c) * a ** n["m"]) * (1.0 - a) ** n["n"]
        rate = rate * (0.01 + 0.99 * glassy) * ratio
        return rate[None, :], n["rise"] * short * rate

    return law


def _delayed(n: dict[str, float], ratio: float) -> Made:
    def law(x: Array, temp_c: Array) -> tuple[Array, Array]:
        a, awake = x[0], x[1]
        wakes = n["wake"] * faster(n["e_wake"], temp_c) * (n["seed"] + awake) * (1.0 - awake)
        left = (1.0 - a) * np.maximum(0.0, (max(ratio, 1.0 / ratio) - a) if ratio != 1.0 else 1.0 - a)
        rate = (n["bare"] + awake) * faster(n["e"], temp_c) * left
        return np.stack([rate, wakes]), n["rise"] * min(ratio, 1.0 / ratio) * rate

    return law


def _diffusion(n: dict[str, float], ratio: float) -> Made:
    def law(x: Array, temp_c: Array) -> tuple[Array, Array]:
        a = x[0]
        held_at = n["held0"] + n["held_per_k"] * (temp_c - 25.0)
        free = 1.0 / (1.0 + np.exp(np.clip(n["held_c"] * (a - held_at), -40.0, 40.0)))
        rate = (n["k1"] + a ** n["m"]) * (1.0 - a) ** n["n"] * faster(n["e"], temp_c) * free * ratio**0.7
        return rate[None, :], n["rise"] * min(1.0, ratio, 1.0 / ratio) * rate

    return law


def _moisture(n: dict[str, float], ratio: float) -> Made:
    """States: share of OH reacted, share of water reacted.  Concentrations in mol/m3; cp 1800 J/kgK, 1100 kg/m3."""
    oh, nco, water = 4191.7, 4455.0 * ratio, n["water"]

    def law(x: Array, temp_c: Array) -> tuple[Array, Array]:
        a, w = x[0], x[1]
        nco_left = np.maximum(0.0, nco - oh * a - 2.0 * water * w) / oh
        catalysed = n["bare"] + a ** n["auto"]
        rate = catalysed * faster(n["e"], temp_c) * (1.0 - a) * nco_left
        wet = n["wet"] * faster(n["e_wet"], temp_c) * (1.0 - w) * np.minimum(1.0, 5.0 * nco_left)
        heat = (oh * n["heat"] * n["dilute"] * rate + water * n["heat_wet"] * wet) / (1100.0 * 1800.0)
        return np.stack([rate, wet]), heat

    return law


_LAWS = {"two-rate": _two_rate, "delayed": _delayed, "diffusion": _diffusion, "moisture": _moisture}


def _at_conversion(n: dict[str, float], x: Array, temp_c: Array, ratio: float) -> Bools:
    return np.asarray(x[0] > n["gel"])


def _by_stoichiometry(n: dict[str, float], x: Array, temp_c: Array, ratio: float) -> Bools:
    """Flory and Stockmayer: 1/sqrt(r (f - 1)(g - 1)) of the part in shortage."""
    balance = min(ratio, 1.0 / ratio)
    return np.asarray(x[0] > min(0.97, 1.0 / sqrt(balance * (n["f"] - 1.0) * (n["g"] - 1.0))))


def _by_viscosity(n: dict[str, float], x: Array, temp_c: Array, ratio: float) -> Bools:
    """eta = A exp(E/RT) (ag/(ag - a))^(1.5 + a) reaches 1000 Pa s."""
    near = np.maximum(n["visc_gel"] - x[0], 1e-4)
    ln_eta = log(10.3e-8) + 41300.0 / (GAS_J_MOL_K * (temp_c + 273.15)) + (1.5 + x[0]) * np.log(n["visc_gel"] / near)
    return np.asarray(ln_eta > log(1000.0))


_GELS = {
    "two-rate": _at_conversion, "delayed": _by_stoichiometry, "diffusion": _by_viscosity, "moisture": _by_stoichiometry,
}  # fmt: skip


# -------------------------------------------------------------------------------------------------------------- bodies


def cup_of(family: str, mass_g: float) -> Body:
    """A cup with this much resin in it: each family's own heat balance."""
    volume_m3 = mass_g / 1.1e6
    if family == "two-rate":
        radius = (volume_m3 / (2.0 * np.pi)) ** (1.0 / 3.0)  # as deep as wide, the ends counted in the film
        return Body(geometry=1, half_m=radius, wall_m=0.001, wall_shells=1, wall_rho_cp=1.7e6, film=lambda x: 13.5)
    if family == "delayed":
        radius = (3.0 * volume_m3 / (4.0 * np.pi)) ** (1.0 / 3.0)
        return Body(geometry=2, half_m=radius, film=lambda x: 4.5 + 1.6 * max(abs(x), 0.1) ** 0.25)
    if family == "diffusion":
        return Body(geometry=0, half_m=0.6 * volume_m3 ** (1.0 / 3.0) * 0.55, film=lambda x: 5.0 + 0.03 * max(x, 0.0))
    radius = (volume_m3 / (1.4 * np.pi)) ** (1.0 / 3.0)
    return Body(geometry=1, half_m=radius, wall_m=0.004, wall_shells=2, wall_rho_cp=4.0e4, wall_k=0.035,
                film=lambda x: 12.0)  # fmt: skip


def section_of(thick_mm: float, wall_mm: float, film_w_m2k: float) -> Body:
    """A mold's section between two walls of silicone."""
    return Body(geometry=0, half_m=0.0005 * thick_mm, wall_m=0.001 * wall_mm, film=lambda x: film_w_m2k, shells=12)


def fresh(family: str) -> Array:
    """States right after the mix."""
    return np.zeros(1 if family in ("two-rate", "diffusion") else 2)


def gel_s(resin: FamilyResin, course: Course, ratio: float = 1.0) -> float | None:
    """When the first of the resin gels [s after the mix]."""
    for i in range(len(course.times_s)):
        if bool(resin.is_gelled(course.states[i], course.temp_c[i], ratio).any()):
            return float(course.times_s[i])
    return None


def hard_s(resin: FamilyResin, course: Course) -> float | None:
    """When nine tenths of a section are hard, after which they stay so [s after the mix]."""
    gelled = False
    for i in range(len(course.times_s)):
        gelled = gelled or bool(resin.is_gelled(course.states[i], course.temp_c[i]).all())
        if gelled and float(np.mean(resin.is_hard(course.states[i], course.temp_c[i]))) >= 0.9:
            return float(course.times_s[i])
    return None


# ------------------------------------------------------------------------------------------------------------- drawing


def drawn_numbers(family: str, rng: np.random.Generator) -> dict[str, float]:
    """One resin's numbers by name."""

    def about(mean: float, sd: float) -> float:
        return mean + sd * float(np.clip(rng.normal(), -1.8, 1.8))

    common = {"soft": about(48.0, 6.0), "hard": about(0.91, 0.025), "margin": about(8.0, 4.0),
              "bend": about(0.38, 0.06), "tg0": about(-52.0, 6.0), "tg1": about(82.0, 10.0),
              "rise": about(118.0, 14.0)}  # fmt: skip
    if family == "two-rate":
        return {**common, "k1": exp(about(-2.4, 1.3)), "e1": about(60.1e3, 5e3), "e2": about(65e3, 9e3),
                "m": about(1.2, 0.3), "n": about(2.1, 0.3), "gel": about(0.70, 0.05)}  # fmt: skip
    if family == "delayed":
        return {**common, "e": about(56e3, 5e3), "wake": exp(about(1.2, 0.9)), "e_wake": about(70e3, 8e3),
                "seed": exp(about(-2.5, 0.8)), "bare": exp(about(-2.0, 1.2)), "f": about(2.75, 0.3),
                "g": about(2.15, 0.12), "hard": about(0.9, 0.03)}  # fmt: skip
    if family == "diffusion":
        return {**common, "k1": exp(about(-1.5, 1.2)), "m": about(0.8, 0.25), "n": about(1.4, 0.2),
                "e": about(52e3, 6e3), "held0": about(0.84, 0.04), "held_per_k": about(0.0022, 0.0005),
                "held_c": about(30.0, 6.0),
                "visc_gel": about(0.72, 0.06)}  # fmt: skip
    share = float(rng.uniform())
    return {**common, "e": about(35.1e3 + 19.8e3 * share, 3e3), "heat": 68.5e3 + 6.4e3 * share,
            "e_wet": 27.0e3 + 5.7e3 * share, "heat_wet": 81.5e3 + 4.5e3 * share, "wet": exp(about(0.3, 0.7)),
            "water": float(rng.uniform(20.0, 320.0)), "dilute": about(0.78, 0.09), "bare": exp(about(-0.9, 1.2)),
            "auto": about(0.9, 0.25), "f": about(2.8, 0.3), "g": about(2.2, 0.12),
            "hard": about(0.9, 0.03)}  # fmt: skip


def draw(family: str, seed: int) -> FamilyResin:
    """A resin whose label is right but for a tenth.  The same seed gives the same resin."""
    rng = np.random.default_rng([seed, FAMILIES.index(family), 77])
    for _ in range(40):
        numbers = drawn_numbers(family, rng)
        pot_life_s = float(np.exp(rng.uniform(log(130.0), log(1000.0))))
        true_s = pot_life_s * exp(float(rng.normal(0.0, LABEL_SD)))
        made = _at_label(FamilyResin(family=family, numbers=numbers, pot_life_s=pot_life_s), true_s)
        error = exp(float(rng.normal(0.0, DEMOLD_SD)))
        if made is None:
            continue
        found = section_truth(made, 6.0, 12.0, 9.0, 23.0, 23.0, 23.0, MOST_DEMOLD * pot_life_s)[1]
        if found is not None and found > LEAST_DEMOLD * pot_life_s:
            return FamilyResin(family=family, numbers=numbers, pot_life_s=pot_life_s, speed=made.speed,
                               demold_s=found * error)  # fmt: skip
    raise RuntimeError(f"no {family} resin for seed {seed}")


def _at_label(resin: FamilyResin, true_s: float) -> FamilyResin | None:
    """The resin at the speed at which its label's cup gels at true_s; None if it doesn't, or climbs absurdly fast."""
    speed, body = 2.0 / true_s, cup_of(resin.family, 100.0)
    for _ in range(12):
        now = FamilyResin(family=resin.family, numbers=resin.numbers, pot_life_s=resin.pot_life_s, speed=speed)
        course = run(body, now.law(), fresh(resin.family), 23.0, 23.0, 23.0, NEVER * true_s, stop_at_gel(now, 1.0))
        got_s = gel_s(now, course)
        if got_s is None:
            speed *= 3.0
            continue
        steepest = float((np.diff(course.temp_c[:, 0]) / np.diff(course.times_s)).max())
        rise = float(course.temp_c[-1, 0]) - 23.0
        if abs(log(got_s / true_s)) < 0.004:
            return now if steepest <= 4.5 and rise >= 15.0 else None
        speed *= (got_s / true_s) ** 1.15
    return None


def stop_at_gel(resin: FamilyResin, ratio: float) -> Callable[[float, Array, Array], bool]:
    """Ends a run when the first of the resin has gelled."""

    def stop(t: float, states: Array, temp_c: Array) -> bool:
        return bool(resin.is_gelled(states, temp_c, ratio).any())

    return stop


def section_truth(
    resin: FamilyResin, thick_mm: float, wall_mm: float, film: float, resin_c: float, mold_c: float, room_c: float,
    until_s: float, lot: float = 1.0, ratio: float = 1.0,
) -> tuple[float | None, float | None]:  # fmt: skip
    """(gel, hard) of a section [s after the mix]; the resin is poured at once."""

    def stop(t: float, states: Array, temp_c: Array) -> bool:
        return float(np.mean(resin.is_hard(states, temp_c))) >= 0.9 and bool(resin.is_gelled(states, temp_c).all())

    body = section_of(thick_mm, wall_mm, film)
    course = run(body, resin.law(lot, ratio), fresh(resin.family), resin_c, mold_c, room_c, until_s, stop)
    return gel_s(resin, course, ratio), hard_s(resin, course)
