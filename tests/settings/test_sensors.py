"""`sensor = { ... }` in a [[channel]]: the four kinds, and what is wrong with the others told with its remedy."""

from __future__ import annotations

import shutil
from pathlib import Path

import pytest

from benchd.core.bench import Sensor
from benchd.core.units import KPA_PER_PSI
from benchd.errors import SettingsError
from benchd.plugins import load_settings
from benchd.settings import Loaded

CONFIG = Path(__file__).parents[2] / "config"
POT_RANGE = 'range = ["-2 psi", "100 psi"]'


def written(home: Path, sensor: str, *, senml: str = "b1-pot", keep_range: bool = True, more: str = "") -> Loaded:
    """The studio with one channel's sensor written out."""
    shutil.copytree(CONFIG, home, dirs_exist_ok=True)
    path = home / "bench.toml"
    text = path.read_text("utf-8").replace(f'senml = "{senml}"', f'senml = "{senml}"\nsensor = {sensor}\n{more}', 1)
    path.write_text(text if keep_range else text.replace(POT_RANGE, "#"), "utf-8")
    return load_settings(path)


def sensor(loaded: Loaded, senml: str = "b1-pot") -> Sensor | None:
    return next(c.sensor for c in loaded.bench.channels if c.senml == senml)


def approx(*values: float) -> object:
    return pytest.approx(values)


def test_a_ratiometric_transducer_and_its_defaults(tmp_path: Path) -> None:
    found = sensor(written(tmp_path, '{ kind = "ratiometric", span = ["0 psi", "150 psi"], supply = "b1-supply" }'))
    assert found is not None
    assert found.span == approx(0.0, 150 * KPA_PER_PSI)
    assert (found.kind, found.signal, found.beside, found.supply_v) == ("ratiometric", (0.5, 4.5), "b1-supply", 5.0)


def test_a_transducer_behind_a_divider(tmp_path: Path) -> None:
    text = '{ kind = "ratiometric", span = ["0 kPa", "1 MPa"], signal = ["330 mV", "2.97 V"], supply_at = "3.3 V" }'
    found = sensor(written(tmp_path, text))
    assert found is not None
    assert (found.signal, found.span, found.supply_v) == (approx(0.33, 2.97), approx(0.0, 1000.0), 3.3)


def test_a_current_loop_over_a_shunt(tmp_path: Path) -> None:
    found = sensor(written(tmp_path, '{ kind = "4-20 mA", span = ["0 bar", "10 bar"], shunt = "0.15 kohm" }'))
    assert found is not None
    assert (found.signal, found.span) == ((0.004, 0.020), (0.0, 1000.0))
    assert found.shunt_ohm == pytest.approx(150.0)


def test_a_thermocouple_sent_as_counts(tmp_path: Path) -> None:
    text = '{ kind = "thermocouple", type = "T", cold_junction = "b1-cj", iec_class = 1, per_count = "7.8125 uV" }'
    found = sensor(written(tmp_path, text, senml="b1-cup"), "b1-cup")
    assert found is not None
    assert (found.type, found.beside, found.iec_class) == ("T", "b1-cj", 1)
    assert found.v_per_count == pytest.approx(7.8125e-6)


def test_counts_with_two_points(tmp_path: Path) -> None:
    found = sensor(written(tmp_path, '{ kind = "counts", span = ["0 psi", "100 psi"], signal = [102, 921] }'))
    assert found is not None
    assert (found.signal, found.span) == ((102.0, 921.0), approx(0.0, 100 * KPA_PER_PSI))


def test_a_span_serves_as_range_and_an_absolute_one_is_taken_to_gauge(tmp_path: Path) -> None:
    text = '{ kind = "4-20 mA", span = ["0 bar", "8 bar"] }'
    pot = written(tmp_path / "g", text, keep_range=False).bench.channels[1]
    assert (pot.low, pot.high) == approx(-50.0, 850.0)
    loaded = written(tmp_path / "a", text, keep_range=False, more='reference = "absolute"')
    pot = loaded.bench.channels[1]
    assert (pot.low, pot.high) == approx(-50.0 - loaded.bench.p_atm_kpa, 850.0 - loaded.bench.p_atm_kpa)


@pytest.mark.parametrize(
    ("text", "key", "problem"),
    [
        ('{ kind = "ratiometric" }', "span", "is missing: ratiometric needs it"),
        ('{ kind = "thermocouple", type = "K", cold_junction = "b1-cj" }', "kind", "a thermocouple is no pot_pressure"),
        ('{ kind = "thermocouple" }', "cold_junction", "is missing"),
        ('{ kind = "4-20 mA", span = ["0 bar", "10 bar"], supply = "b1-5v" }', "supply", "does not go with 4-20 mA"),
        ('{ kind = "4-20 mA", span = ["0 bar"] }', "span", "needs two values"),
        ('{ kind = "4-20 mA", span = ["4 bar", "4 bar"] }', "span", "its two ends do not rise"),
        ('{ kind = "4-20 mA", span = ["0 bar", "10 C"] }', "span", '"C" is no unit of pressure'),
        ('{ kind = "4-20 mA", span = ["0 bar", "10 bar"], shunt = "0 ohm" }', "shunt", "is not above zero"),
        ('{ kind = "ratiometric", span = ["0 psi", "90 psi"], signal = ["4 V", "1 V"] }', "signal", "do not rise"),
        ('{ kind = "ratiometric", span = ["0 psi", "90 psi"], signal = ["0.5 V", 4.5] }', "signal", "4.5 has no unit"),
        ('{ kind = "ratiometric", span = ["0 psi", "90 psi"], supply_at = "5" }', "supply_at", "5 has no unit"),
        ('{ kind = "counts", span = ["0 psi", "90 psi"], signal = ["1 V", "2 V"] }', "signal", "needs two counts"),
        ('{ kind = "strain", span = ["0 psi", "90 psi"] }', "kind", "must be one of ratiometric, 4-20 mA"),
        ('{ kind = "4-20 mA", span = ["0 bar", "10 bar"], shnt = "150 ohm" }', "shnt", "no such key"),
    ],
)
def test_what_does_not_hold_together_is_told(tmp_path: Path, text: str, key: str, problem: str) -> None:
    with pytest.raises(SettingsError) as caught:
        written(tmp_path, text)
    found = [c for c in caught.value.complaints if c.key == f"channel[2].sensor.{key}"]
    assert len(found) == 1
    assert problem in found[0].problem
    assert found[0].line == found_line(tmp_path)


def found_line(home: Path) -> int:
    lines = (home / "bench.toml").read_text("utf-8").splitlines()
    return next(n for n, line in enumerate(lines, 1) if line.startswith("sensor ="))


def test_a_class_the_standard_does_not_have_is_told(tmp_path: Path) -> None:
    text = '{ kind = "thermocouple", type = "J", cold_junction = "b1-cj", iec_class = 3 }'
    with pytest.raises(SettingsError, match="no class 3 of type J"):
        written(tmp_path, text, senml="b1-cup")


def test_the_date_of_calibration_may_be_written(tmp_path: Path) -> None:
    shutil.copytree(CONFIG, tmp_path, dirs_exist_ok=True)
    path = tmp_path / "bench.toml"
    path.write_text(path.read_text("utf-8").replace('resolution = "0.25 C"', "calibrated = 2026-01-04"), "utf-8")
    assert load_settings(path).bench.channels[0].calibration == ()
