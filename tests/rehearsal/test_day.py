"""Does the whole invented day hold together: three loads in one script, each as it is alone, fairly paced?"""

from __future__ import annotations

from pathlib import Path

import pytest

from benchd.errors import SettingsError
from benchd.rehearsal import Rehearsal, load_scenario
from benchd.rehearsal.pace import Pace, PacedScript

LOADS = (("load-1", 0.0), ("load-2-crumb", 6000.0), ("load-3-damp", 17400.0))  # 9:40, 11:20, 14:30


def test_the_day_holds_every_act_of_its_loads_at_its_hour() -> None:
    day = {(a.at_s, a.do, a.mold, a.grade) for a in load_scenario("day").acts}
    for name, at_s in LOADS:
        assert {(a.at_s + at_s, a.do, a.mold, a.grade) for a in load_scenario(name).acts} <= day


def test_pressures_and_kicks_of_the_day_are_those_of_the_loads() -> None:
    """By the invented day's clock: kicks at 3:03, 2:47 and about 2:33, pressure at 2:24 and 2:12."""
    rehearsal = Rehearsal(load_scenario("day"), 0)
    leaked = [f.readings["pot"] for f in rehearsal.frames() if 6342.0 + 60.0 <= f.t_s <= 6642.0 - 1.0]
    kicks = [p.kick_s - p.mix_s for p in rehearsal.truth.pours if p.kick_s is not None]
    assert kicks == pytest.approx([183.0, 167.0, 153.0], abs=5.0)
    mixes = [p.mix_s for p in rehearsal.truth.pours]
    up = [x.at_pressure_s - mix for x, mix in zip(rehearsal.truth.loads, mixes, strict=True) if x.at_pressure_s]
    assert up[:2] == pytest.approx([144.0, 132.0], abs=2.0)
    assert [x.molds for x in rehearsal.truth.loads] == [
        ("M02", "M03", "M06", "M01"),
        ("M05", "M07", "M04"),
        ("M08", "M01"),
    ]
    # a 0.15 mm hole: 0.7 psi a minute and cooling, from one minute after the shut to the top-up
    lost_psi = (float(leaked[0] or 0) - float(leaked[-1] or 0)) / 6894.757
    assert 2.2 <= lost_psi <= 3.6


@pytest.mark.wide
def test_a_mold_poured_twice_is_felt_as_its_own_part_is() -> None:
    marks = [m for f in Rehearsal(load_scenario("day"), 0).frames() for m in f.marks if m.get("mold") == "M01"]
    assert [m["feel"] for m in marks] == ["hard", "hard"]


def test_the_default_pace_plays_the_day_in_under_three_minutes_and_the_pours_slowly() -> None:
    day = load_scenario("day")
    script = PacedScript(day, Pace())
    speeds = [script.speed_at(float(t)) for t in range(int(day.duration_s))]
    assert 90.0 < sum(1.0 / s for s in speeds) < 165.0
    zero = int(day.lead_s)
    assert set(speeds[zero : zero + 300]) == {20.0}  # from the mix until the pot is shut off
    assert speeds[zero + 3600] == 300.0  # an hour later nobody is at the bench


def test_a_steady_pace_is_lifes_own_within_the_loads() -> None:
    day = load_scenario("day")
    script = PacedScript(day, Pace.steady(1.0, 300.0))
    for _, at_s in LOADS:
        around = range(int(day.lead_s + at_s), int(day.lead_s + at_s) + 1500)
        assert {script.speed_at(float(t)) for t in around} == {1.0}
    assert script.speed_at(day.lead_s + 3600.0) == 300.0


@pytest.mark.parametrize(
    ("then", "says"),
    [
        ('{ scenario = "load-2-crumb" }', "needs a scenario and a time"),
        ('{ scenario = "day", at = "1:00:00" }', "is itself followed by others"),
        ('{ scenario = "load-9", at = "1:00:00" }', "no such scenario"),
    ],
)
def test_what_follows_must_be_a_scenario_at_a_time(tmp_path: Path, then: str, says: str) -> None:
    file = tmp_path / "x.toml"
    file.write_text(f'[scenario]\nbase = "load-1"\nthen = [{then}]\n', "utf-8")
    with pytest.raises(SettingsError, match=says):
        load_scenario(file)
