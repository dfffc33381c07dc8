"""Are scenarios read strictly, and are those that come along sound?"""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path

import pytest

from benchd.errors import SettingsError
from benchd.rehearsal import load_scenario, scenario_names

WANTED = (
    "load-1", "load-2-crumb", "load-3-damp", "creep", "pressurised-late", "half-by-weight", "probe-lifted",
    "clogged-port", "hose-tap", "relief-stuck",
)  # fmt: skip


@pytest.fixture
def scenario(tmp_path: Path) -> Callable[[str], Path]:
    def write(text: str) -> Path:
        path = tmp_path / "mine.toml"
        path.write_text(text, "utf-8")
        return path

    return write


def complaints(path: Path) -> list[str]:
    with pytest.raises(SettingsError) as caught:
        load_scenario(path)
    return [str(c) for c in caught.value.complaints]


def test_all_wanted_come_along() -> None:
    assert set(WANTED) <= set(scenario_names())


@pytest.mark.parametrize("name", WANTED)
def test_each_comes_with_a_title_and_its_acts_in_order(name: str) -> None:
    made = load_scenario(name)
    assert made.name == name
    assert made.title
    times = [act.at_s for act in made.acts]
    assert times == sorted(times)
    assert made.lead_s + times[0] >= 0.0
    assert times[-1] < made.end_s


def test_a_variant_keeps_what_it_does_not_change() -> None:
    base, late = load_scenario("load-1"), load_scenario("pressurised-late")
    assert late.molds == base.molds
    lid = {s.name: next(a.at_s for a in s.acts if a.do == "lid") for s in (base, late)}
    assert lid["pressurised-late"] - lid["load-1"] == 59.0
    assert not [a for a in load_scenario("creep").acts if a.do == "inlet_shut" and a.at_s < 600]
    assert load_scenario("hose-tap").pot.tap == "hose"


ACT = '[[act]]\nat = 0\ndo = "mix"\ncup = "cup-1"\nlot = "L"\na_g = 50\nb_g = 45\n'
LOT = '[[lot]]\ncode = "L"\n'


def test_a_small_file_will_do(scenario: Callable[[str], Path]) -> None:
    made = load_scenario(scenario(LOT + ACT + '[[act]]\nat = "1:05"\ndo = "witness"\n'))
    assert made.name == "mine"
    assert [a.at_s for a in made.acts] == [0.0, 65.0]
    assert made.cups[0].id == "cup-1"


@pytest.mark.parametrize(
    ("text", "said"),
    [
        ("[pot]\nleak_mn = 0.1\n", 'pot.leak_mn: unknown key; did you mean "leak_mm"?'),
        ("[pots]\n", 'pots: unknown table; did you mean "pot"?'),
        ("[scenario]\nlead = 3\n", "scenario.lead: unknown key"),
        ('[pot]\nleak_mm = "big"\n', "pot.leak_mm: 'big' does not fit"),
        ("[board]\nhz = 0\n", "board.hz: 0 is not possible; write a number above 0"),
        ("[room]\ntemp_c = nan\n", "room.temp_c: nan is not possible"),
        ('[pot]\ntap = "lid"\n', "pot.tap: 'lid' is not known"),
        ("[pot]\nrelief_stuck = 1\n", "pot.relief_stuck: 1 does not fit"),
        ('[[act]]\nat = 5\ndo = "lidd"\n', "act[2].do: 'lidd' is not an act; did you mean \"lid\"?"),
        ('[[act]]\nat = "soon"\ndo = "lid"\n', "act[2].at: 'soon' is not a time"),
        ('[[act]]\nat = 5\ndo = "pour"\n', "act[2].mold: pour needs it"),
        ('[[act]]\nat = 5\ndo = "pour"\nmold = "M99"\n', "no mold 'M99'"),
        ('[[act]]\nat = 5\ndo = "lid"\nway = "switch"\n', "act[2].way: lid cannot be reported by 'switch'"),
        ('[[act]]\nat = 5\ndo = "lid"\npsi = 3\n', "act[2].psi: lid does not know this key"),
        ('[[lot]]\ncode = "K"\nresin = "toffee"\n', "lot K: no resin 'toffee'"),
        ('[[mold]]\ncode = "M"\n', "mold[1].cavity_ml: is missing"),
        ('[[resin]]\nlike = "honey"\nname = "h"\n', "resin[1]: needs a name and like = a known resin"),
    ],
)
def test_each_mistake_is_named(scenario: Callable[[str], Path], text: str, said: str) -> None:
    assert any(said in c for c in complaints(scenario(LOT + ACT + text)))


def test_all_mistakes_are_told_at_once(scenario: Callable[[str], Path]) -> None:
    assert len(complaints(scenario(LOT + ACT + "[pot]\na = 1\nb = 2\n[room]\nc = 3\n"))) == 3


def test_no_mix_no_toml_no_file(scenario: Callable[[str], Path], tmp_path: Path) -> None:
    assert "nothing is mixed" in complaints(scenario(LOT))[0]
    assert "is not TOML" in complaints(scenario("[pot"))[0]
    (said,) = complaints(tmp_path / "load-4.toml")
    assert "no such scenario" in said
    with pytest.raises(SettingsError, match='did you mean "load-1"'):
        load_scenario("laod-1")


def test_an_own_resin_starts_from_a_known_one(scenario: Callable[[str], Path]) -> None:
    text = '[[resin]]\nname = "odd"\nlike = "snap-black"\nrise_k = 90\n[[lot]]\ncode = "L"\nresin = "odd"\n'
    made = load_scenario(scenario(text + ACT))
    assert made.resins["odd"].rise_k == 90.0
    assert made.resins["odd"].latency_s == made.resins["snap-black"].latency_s
