"""Is every kind of finding said in words, in the bench's units and clock, and without a field's name?

Units: 1 psi = 6.894757 kPa, 1 bar = 100 kPa, F = 1.8 C + 32 (NIST SP 811).
"""

from __future__ import annotations

import re
from dataclasses import fields
from typing import Any, get_args, get_type_hints

import pytest

from benchd.core.findings import (
    FINDINGS,
    BenchNotice,
    CupOdd,
    DemoldForecast,
    Finding,
    PotHold,
    PotLeaking,
    PressureLate,
)
from benchd.core.model import Subject
from benchd.runtime.printing.finding_words import TEMPLATES, FindingWords, span

MIX_T = 1_767_606_000.0
ABOUT = Subject(bench="north", pot="barrel", cup="cup-1", mold="m02", channel="cup-1-temperature", source="board")


def clock(t: float, subject: Subject) -> str:
    return f"+{(t - MIX_T) / 60:.2f}"


def words(pressure: str = "psi", temperature: str = "C") -> FindingWords:
    return FindingWords(pressure, temperature, clock)


def filled(kind: type[Finding], active: bool = True) -> Finding:
    """A finding with a value in each of its fields."""
    hints = get_type_hints(kind)
    values: dict[str, Any] = {"t": MIX_T, "subject": ABOUT}
    for field in fields(kind):
        if field.name in values:
            continue
        values[field.name] = active if field.name == "active" else _some(hints[field.name], field.name)
    return kind(**values)


def _some(hint: Any, name: str) -> Any:
    inner = [arg for arg in get_args(hint) if arg is not type(None)]
    if hint is float or float in inner:
        return MIX_T + 171.0 if name.endswith(("at", "_t", "_by", "early", "late", "since")) else 12.5
    if "tuple" in str(hint):
        times = "float" in str(hint)
        return (MIX_T, MIX_T + 60.0, MIX_T + 120.0) if times else ("m02", "m03")
    if hint is bool:
        return True
    if hint is int or int in inner:
        return 3
    literal = [arg for arg in inner if isinstance(arg, str)]
    return literal[0] if literal else "cup-1-temperature"


@pytest.mark.parametrize("name", sorted(FINDINGS))
def test_every_kind_is_said_without_names_or_unix_seconds(name: str) -> None:
    said = words()(filled(FINDINGS[name]))
    assert said
    assert "_" not in said
    assert not re.search(r"\d{9}|[{}\[\]]|\?|None|kPa", said)
    assert FindingWords("bar", "F", clock)(filled(FINDINGS[name])).isprintable()


@pytest.mark.parametrize("name", sorted(n for n, kind in FINDINGS.items() if "active" in get_type_hints(kind)))
def test_a_condition_that_ends_says_over(name: str) -> None:
    said = words()(filled(FINDINGS[name], active=False))
    assert said.endswith("over") or name == "bench_notice"


def test_every_template_belongs_to_a_finding() -> None:
    assert set(TEMPLATES) == set(FINDINGS)


def test_late_says_both_times_on_the_mix_clock() -> None:
    late = PressureLate(
        t=MIX_T, subject=ABOUT, projected_at=MIX_T + 171.0, kick_early=MIX_T + 163.2, rising=False, active=True
    )
    assert words()(late) == "pressure late: projected +2.85, kick of the cup at the earliest +2.72"


def test_a_leak_in_each_unit() -> None:
    """4.62 kPa/min is 0.67 psi/min, 0.0462 bar/min."""
    leak = PotLeaking(
        t=MIX_T, subject=ABOUT, verdict="slow", kpa_per_min=4.62, low=3.45, high=5.52, conductance_m3_s_pa=1e-12,
        hole_mm=0.142, floor_at=None, matters=True, active=True,
    )  # fmt: skip
    head = "barrel leaking: slow, "
    assert words("psi")(leak) == head + "0.67 psi a minute at the target (0.50 to 0.80), like a hole of 0.14 mm"
    assert words("kPa")(leak).startswith(head + "4.6 kPa a minute at the target (3.5 to 5.5)")
    assert words("bar")(leak).startswith(head + "0.05 bar a minute")


@pytest.mark.parametrize(
    ("what", "why", "count", "line"),
    [
        ("source", "board: gone", 0, "board: gone"),
        ("lines", "board: wrong checksum", 3, "bad lines: board: wrong checksum (3)"),
        ("gap", "no input: 300 s", 0, "gap: no input: 300 s"),
        ("unchecked-lines", "", 0, "no checksum"),
    ],
)
def test_a_notice_is_said_as_what_happened(what: Any, why: str, count: int, line: str) -> None:
    assert words()(BenchNotice(t=MIX_T, subject=ABOUT, what=what, why=why, count=count)) == line


def test_what_is_not_known_is_left_out() -> None:
    hold = PotHold(
        t=MIX_T, subject=ABOUT, verdict="cant-tell", kpa=289.58, kpa_per_min=None, low=None, high=None,
        smallest_seen=None, why="the air is still cooling",
    )  # fmt: skip
    assert words()(hold) == "barrel hold: cannot tell yet, 42.0 psi, the air is still cooling"
    forecast = DemoldForecast(
        t=MIX_T, subject=ABOUT, mold="m02", green_at=None, hard_at=(MIX_T, MIX_T + 60, MIX_T + 120), basis="label"
    )
    assert words()(forecast) == "M02 hard about +1.00 (+0.00 to +2.00), label"


@pytest.mark.parametrize(("mg", "said"), [(217.0, "220 mg"), (34.6, "35 mg"), (0.4321, "0.43 mg"), (1234.0, "1200 mg")])
def test_a_small_mass_has_two_digits_and_no_power_of_ten(mg: float, said: str) -> None:
    assert FindingWords("psi", "C", lambda t, subject: "").number("water_mg", mg) == said


def test_a_cup_is_odd_by_its_heat_or_by_its_time() -> None:
    """137 C is 278.6 F; 118 C is 244.4 F."""
    hot = CupOdd(t=MIX_T, subject=ABOUT, what="hot", expected=118.0, got=137.0)
    slow = CupOdd(t=MIX_T, subject=ABOUT, what="slow", expected=165.0, got=250.0)
    assert words("psi", "F")(hot) == "cup-1 ran hot: 278.6 F, expected 244.4 F"
    assert words()(slow) == "cup-1 ran slow: 4:10, expected 2:45"


@pytest.mark.parametrize(
    ("seconds", "said"), [(46.0, "46 s"), (119.6, "2:00"), (828.0, "13:48"), (7500.0, "2 h 05 min"), (-5.0, "-5 s")]
)
def test_spans(seconds: float, said: str) -> None:
    assert span(seconds) == said
