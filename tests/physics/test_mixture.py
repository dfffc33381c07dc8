"""Mixing arithmetic against worked examples: density, stoichiometry of a filled resin, heat, and what the kick does."""

from __future__ import annotations

import pytest
from scipy.integrate import quad

from benchd.core.bench import Resin
from benchd.core.bench.recipe import Recipe, base_of, recipe_of, resin_share
from benchd.physics.kinetics import rate_ratio
from benchd.physics.label_cure import MIDDLING, label_cure
from benchd.physics.mixture import Part, density_g_ml, heat_capacity, rise_share, slowing, volume_share
from benchd.shelf.amounts import split

LABEL = Resin(id="fast", name="Fast white", pot_life_s=180.0, demold_s=600.0, peak_c=95.0)


def test_density_and_mass_fractions_are_the_textbooks() -> None:
    # A. K. Kaw, "Mechanics of Composite Materials", 2nd ed. 2006, example 3.1 (figures from memory; the question is at
    # https://www.transtutors.com/questions/determine-for-a-glass-epoxy-lamina-with-a-70-fibre-volume-fraction-a-the-
    # density-and-1973411.htm): 70 % of glass by volume, 2500 kg/m3, in epoxy of 1200: 2110 kg/m3; mass fractions
    # 0.8294 and 0.1706; 4 kg are 3.318 and 0.6826 kg
    epoxy, glass = Part(0.6826, 1.2, 1.1), Part(3.318, 2.5, 0.8)
    assert density_g_ml([epoxy, glass]) == pytest.approx(2.110, abs=5e-4)
    assert volume_share([epoxy, glass], glass) == pytest.approx(0.70, abs=5e-4)
    assert pytest.approx(0.8294, abs=1e-4) == 3.318 / 4.0006


def test_density_is_the_law_of_mixtures_by_volume() -> None:
    # "Law of Mixtures", Encyclopedic Dictionary of Polymers (Springer): rho = rho1 v1 + rho2 v2
    for v1 in (0.0, 0.1, 0.35, 0.5):
        parts = [Part(1.07 * (1.0 - v1), 1.07, 1.8), Part(2.7 * v1, 2.7, 0.9)]
        assert density_g_ml(parts) == pytest.approx(1.07 * (1.0 - v1) + 2.7 * v1)


def test_filler_takes_no_part_in_the_ratio() -> None:
    # "Calculating Equivalent Weight of Epoxy Mixtures", https://scribd.com/document/485570057: 80 parts of resin
    # (EEW 189), 10 of diluent (183) and 10 of filler weigh 209 to the equivalent, and take 20.6 parts of amine (AEW 43)
    # to 100 of the filled mix
    eew = 90.0 / (80.0 / 189.0 + 10.0 / 183.0)  # of the resin alone
    a_g, b_g = split(90.0 * (1.0 + 43.0 / eew), 43.0 / eew)  # 90 g of it, with its amine
    assert a_g == pytest.approx(90.0)
    assert b_g == pytest.approx(20.6, abs=0.05)
    assert 100.0 / (90.0 / eew) == pytest.approx(209.0, abs=0.5)


def test_percent_become_grams() -> None:
    # by hand: 3 % pigment of 200 g A and B are 6 g, 50 parts of filler 100 g: 306 g, of which 65.36 % are resin
    label = Resin(id="r", name="R", pot_life_s=180.0, demold_s=600.0, pigment_phr=3.0, filler_phr=50.0)
    assert resin_share(label) == pytest.approx(0.65359, abs=1e-5)
    assert 306.0 * resin_share(label) == pytest.approx(200.0)


def test_what_does_not_react_takes_up_heat() -> None:
    # an energy balance by hand: 100 g of resin make 119 K x 1.8 J/gK x 100 g = 21.42 kJ; with 100 g of mineral of
    # 0.85 J/gK that is 21.42 kJ/(180 + 85 J/K) = 80.8 K
    parts = [Part(100.0, 1.07, 1.8), Part(100.0, 2.7, 0.85)]
    assert MIDDLING.rise_k * rise_share(parts) == pytest.approx(80.8, abs=0.05)
    assert heat_capacity(parts) == pytest.approx(1.325)


@pytest.mark.parametrize("pot_life_s", [180.0, 420.0, 1200.0])
def test_less_heat_means_a_later_kick_never_a_sooner_one(pot_life_s: float) -> None:
    """By the heat alone: at one temperature the chemistry is as fast as ever, so the isothermal gel is the bound."""
    later = [slowing(pot_life_s, 100.0, rise) for rise in (1.0, 0.9, 0.7, 0.5, 1e-6)]
    assert later[0] == 1.0
    assert later == sorted(later)
    assert slowing(pot_life_s, 100.0, 0.999) == pytest.approx(1.0, abs=0.01)
    cure = label_cure(pot_life_s)
    at_23 = cure.k_per_s * rate_ratio(cure.e_j_mol, 25.0, 23.0)
    isothermal_s, _ = quad(
        lambda a: 1.0 / (at_23 * (cure.c + a**cure.m) * (1.0 - a) ** cure.n), 0.0, cure.gel_conversion
    )  # fmt: skip
    assert later[-1] * pot_life_s == pytest.approx(isothermal_s, rel=0.002)


def test_a_recipe_changes_a_label_as_the_mixture_says() -> None:
    recipe = Recipe(id="grey", code="grey", pigment_phr=3.0, pigment_g_ml=1.2, filler_phr=50.0, filler_g_ml=2.7)
    changed = recipe.changes(LABEL)
    # volumes by hand: 100/1.07 + 3/1.2 + 50/2.7 = 93.458 + 2.5 + 18.519 = 114.477 ml of 153 g
    assert changed["density_cured_g_ml"] == pytest.approx(153.0 / 114.477, abs=1e-4)
    assert changed["rise_share"] == pytest.approx(180.0 / (180.0 + 5.4 + 42.5), abs=1e-9)
    assert changed["peak_c"] == pytest.approx(23.0 + changed["rise_share"] * 72.0)
    assert changed["pot_life_s"] == pytest.approx(180.0 * changed["slowing"])
    nothing = Recipe(id="n", code="n").changes(LABEL)
    assert (nothing["slowing"], nothing["rise_share"], nothing["density_cured_g_ml"]) == (1.0, 1.0, 1.07)
    assert (base_of("r-07+grey"), recipe_of("r-07+grey"), base_of("r-07"), recipe_of(None)) == (
        "r-07", "grey", "r-07", None)  # fmt: skip
