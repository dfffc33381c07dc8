"""The configuration as a whole: the studio's files load, and each wrong thing is told with its place and its remedy."""

from __future__ import annotations

import json
import shutil
import tomllib
from dataclasses import replace
from pathlib import Path
from typing import Any

import pytest
import tomlkit
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st
from of_kind import as_kind, known
from pydantic import BaseModel, ConfigDict
from some_of import examples

from benchd.core.bench.context import bench_from_context
from benchd.core.format.record import from_record, to_record
from benchd.core.model import Context
from benchd.core.model.learned import CasterHabits, Learned
from benchd.core.units import parse_quantity
from benchd.errors import Complaint, PluginError, SettingsError
from benchd.runtime.journal.age.keep import Keep
from benchd.settings import Loaded, load
from benchd.settings.plug_ins import Folder

CONFIG = Path(__file__).parents[1] / "config"
JANUARY_T = 1767607331.0  # 2026-01-05, the studio's casting day


class BoardSettings(BaseModel):
    model_config = ConfigDict(frozen=True, extra="forbid")
    kind: str = "serial_lines"
    port: str
    crc: str = "crc32"


class BrokerSettings(BaseModel):
    model_config = ConfigDict(frozen=True, extra="forbid")
    host: str = "127.0.0.1"
    port: int = 1883


class AirSettings(BaseModel):
    model_config = ConfigDict(frozen=True, extra="forbid")
    warn_rh_pct: float = 50.0
    settle_s: float = 60.0


class FakeCatalogue:
    """Three plug-ins of the test's own."""

    there: dict[str, dict[str, type[BaseModel]]] = {  # noqa: RUF012
        "sources": {"serial_lines": BoardSettings},
        "outlets": {"mqtt": BrokerSettings},
        "watchers": {"air": AirSettings},
    }

    def kinds(self, folder: Folder) -> tuple[str, ...]:
        return tuple(self.there[folder])

    def settings_of(self, folder: Folder, kind: str) -> type[BaseModel]:
        if kind not in self.there[folder]:
            kinds = ", ".join(self.there[folder])
            raise PluginError(Complaint(folder, kind, f'no kind "{kind}"', f"known: {kinds}"))
        return self.there[folder][kind]


class Studio:
    """A copy of config/ to spoil."""

    def __init__(self, home: Path) -> None:
        self.home = home
        shutil.copytree(CONFIG, home, dirs_exist_ok=True)

    def spoil(self, file: str, old: str, new: str) -> Studio:
        path = self.home / file
        text = path.read_text()
        assert old in text
        path.write_text(text.replace(old, new, 1))
        return self

    def add(self, file: str, text: str) -> Studio:
        path = self.home / file
        path.write_text(path.read_text() + text)
        return self

    def load(self) -> Loaded:
        return load(self.home / "bench.toml", catalogue=FakeCatalogue(), now_t=JANUARY_T)

    def complaints(self) -> list[Complaint]:
        with pytest.raises(SettingsError) as caught:
            self.load()
        return list(caught.value.complaints)

    def line_of(self, file: str, text: str) -> int:
        lines = (self.home / file).read_text().splitlines()
        return next(i for i, line in enumerate(lines, 1) if text in line)


@pytest.fixture
def studio(tmp_path: Path) -> Studio:
    return Studio(tmp_path)


def test_the_invented_studio_loads_as_its_book_has_it(studio: Studio) -> None:
    loaded = studio.load()
    bench = loaded.bench
    assert loaded.warnings == ()
    pot = bench.pot("barrel")
    assert pot is not None
    psi = [parse_quantity(f"{n} psi", "pressure") for n in (60, 55, 42, 35, 54)]
    assert [pot.marked_kpa, pot.relief_kpa, pot.target_kpa, pot.floor_kpa] == psi[:4]
    assert pot.limit_kpa == pytest.approx(psi[4])  # left out in the file: 10 % under the mark
    assert (pot.volume_l, pot.free_l) == (16.5, 13.0)
    assert [m.code for m in bench.molds] == [f"M0{n}" for n in range(1, 9)]
    assert [x.id for x in bench.lots] == ["r-07", "r-05"]
    assert known(bench.label_for("r-07")).pot_life_s == 165.0
    assert known(bench.label_for(None)).pot_life_s == 180.0
    assert [c.id for c in bench.channels] == [
        "cup-1-temperature", "barrel-pressure", "room-temperature", "room-humidity", "tank-pressure",
        "tank-temperature",
    ]  # fmt: skip
    assert bench.sources == (("board", "crc32"),)
    assert loaded.outlets["mqtt"] == BrokerSettings()


def test_a_data_sheets_heat_deflection_is_read_in_either_unit(studio: Studio) -> None:
    studio.spoil("resins/fast-white.toml", 'demold = "10 min"', 'demold = "10 min"\nheat_deflection = "122 F"')
    resins = {resin.id: resin.heat_deflection_c for resin in studio.load().bench.resins}
    assert resins == {"fast-white": pytest.approx(50.0), "medium-white": None, "slow-clear": None}


def test_a_context_carries_the_whole_bench_through_a_recording(studio: Studio) -> None:
    loaded = studio.load()
    context = loaded.context(JANUARY_T)
    back = as_kind(Context, from_record(to_record(context)))
    assert back == replace(context, config=back.config, shelf=back.shelf, resins=back.resins)
    assert bench_from_context(back) == replace(loaded.bench, utc_offsets=context.utc_offsets)


def test_the_hash_follows_what_is_known_and_nothing_else(studio: Studio) -> None:
    first = studio.load()
    assert (
        first.context(JANUARY_T).hash == first.context(JANUARY_T + 40_000_000).hash == studio.load().context(0.0).hash
    )
    learned = first.context(JANUARY_T, Learned(caster=CasterHabits(lid_s=20.0)))
    assert learned.hash != first.context(JANUARY_T).hash
    studio.spoil("shelf.toml", "casts_before = 18", "casts_before = 19")
    assert studio.load().context(JANUARY_T).hash != first.context(JANUARY_T).hash


# (file, text replaced, text instead, key of the one complaint, words of its problem, words of its remedy)
SPOILED = [
    ("bench.toml", 'target = "42 psi"', "target = 42", "pot.barrel.target", "42 has no unit", 'write "42 psi"'),
    ("bench.toml", 'target = "42 psi"', 'target = "61 psi"',
     "pot.barrel.target", "above the pot's mark of 60 psi", "60 psi"),
    ("bench.toml", 'floor = "35 psi"', 'floor = "43 psi"',
     "pot.barrel.floor", "not below the target", "least pressure"),
    ("bench.toml", 'floor = "35 psi"', 'limit = "40 psi"',
     "pot.barrel.target", "not below the limit of 40 psi", "alarm"),
    ("bench.toml", 'relief = "55 psi"', 'relief = "65 psi"', "pot.barrel.relief", "above the pot's mark", "60 psi"),
    ("bench.toml", 'free = "13 l"', 'free = "17 l"', "pot.barrel.free", "more than the volume", "16.5 l"),
    ("bench.toml", 'marked = "60 psi"', "", "pot.barrel.marked", "is missing", 'marked = "60 psi"'),
    ("bench.toml", 'marked = "60 psi"', 'marked = "60 psi"\nmarcked = 1',
     "pot.barrel.marcked", "no such key", '"marked"?'),
    ("bench.toml", '["-2 psi", "100 psi"]', '["-2 psi", "77 psi"]', "channel[2].range", "ends at 77 psi", "78 psi"),
    ("bench.toml", 'range = ["-2 psi", "100 psi"]', "", "channel[2].range", "is missing", "100 psi"),
    ("bench.toml", '["-2 psi", "100 psi"]', '["100 psi", "-2 psi"]',
     "channel[2].range", "low is not below high", "lower"),
    ("bench.toml", '["-2 psi", "100 psi"]', '["100 psi"]', "channel[2].range", "needs two values", "range ="),
    ("bench.toml", 'of = "cup-1"', 'of = "cup-2"', "channel[1].of", 'no cup "cup-2"', 'did you mean "cup-1"?'),
    ("bench.toml", 'of = "barrel"', 'of = "Barel"', "channel[2].of", 'no pot "Barel"', 'did you mean "barrel"?'),
    ("bench.toml", 'role = "room_humidity"', 'role = "room_humid"',
     "channel[4].role", "must be one of", "room_humidity"),
    ("bench.toml", 'senml = "b1-room"', 'senml = "b1-rh"',
     "channel[4].senml", "read by another channel", "one channel"),
    ("bench.toml", 'role = "room_humidity"', 'role = "room_temperature"',
     "channel[4].id", "is the id of a channel", "another"),
    ("bench.toml", 'role = "room_humidity"', 'role = "room_humidity"\nof = "cup-1"',
     "channel[4].of", "belongs to the room", "out"),
    ("bench.toml", 'source = "board"\nsenml = "b1-rh"', 'source = "bored"\nsenml = "b1-rh"',
     "channel[4].source", 'no source "bored"', '"board"?'),
    ("bench.toml", 'resolution = "0.25 C"', 'resolution = "0.25 psi"',
     "channel[1].resolution", "no unit of temperature", "0.25 C"),
    ("bench.toml", 'resolution = "0.25 C"', 'calibration = [["1 C", "2 C"], ["3 C", "1 C"]]',
     "channel[1].calibration", "must rise", "swapped"),
    ("bench.toml", 'shop = "quiet-harbour"', 'shop = "Quiet Harbour"',
     "bench.shop", "a-z, 0-9 and -", '"quiet-harbour"'),
    ("bench.toml", "Europe/Oslo", "Europe/Olso", "bench.timezone", "no time zone", "IANA"),
    ("bench.toml", "22:00-07:00", "22-7", "bench.quiet_hours", "not a span of hours", "22:00-07:00"),
    ("bench.toml", 'default_resin = "fast-white"', 'default_resin = "fast-whit"',
     "bench.default_resin", "no resin", '"fast-white"?'),
    ("bench.toml", "[cup.cup-1]", "[cup.barrel]\nname = 'x'\n[cup.cup-1]",
     "cup.barrel", "is the id of a pot already", "choose another"),
    ("bench.toml", "[mqtt]", "[mqt]", "mqt", "no such table", 'did you mean "mqtt"?'),
    ("bench.toml", "port = 1883", 'port = "x"', "mqtt.port", "valid integer", ""),
    ("bench.toml", 'kind = "serial_lines"', 'kind = "serial"', "source[1].kind", 'no kind "serial"', "serial_lines"),
    ("bench.toml", "[mqtt]", '[page]\nlisten = "0.0.0.0:8127"\n[mqtt]',
     "page.listen", "other machines", "pairing = true"),
    ("bench.toml", "[mqtt]", '[page]\nlisten = "0.0.0.0:8127"\npairing = true\n[mqtt]',
     "page.names", "every address", '["bench.lan", "192.168.7.20"]'),
    ("bench.toml", "[mqtt]", '[page]\npairing = true\nnames = ["bench_1.lan"]\n[mqtt]',
     "page.names", "neither a host name", '"bench.lan"'),
    ("bench.toml", "[mqtt]", '[page]\npairing = true\nnames = ["192.168.7.256"]\n[mqtt]',
     "page.names", "neither a host name", '"bench.lan"'),
    ("bench.toml", "[mqtt]", '[page]\npairing = true\nkey = "own.key"\n[mqtt]',
     "page.certificate", "go together", 'certificate = "FILE"'),
    ("bench.toml", "[mqtt]", '[page]\nlisten = "8127"\n[mqtt]',
     "page.listen", "not an address and a port", "127.0.0.1:8127"),
    ("bench.toml", "[mqtt]", "[tune.air]\nsettle_s = 'x'\n[mqtt]", "tune.air.settle_s", '"x" is not a time', "3 min"),
    ("bench.toml", "[mqtt]", "[tune.are]\n[mqtt]", "tune.are", 'no kind "are"', "air"),
    ("bench.toml", "[mqtt]", "[mqtt", "column 6", "is not TOML", "key = value"),
    ("shelf.toml", "thin_mm = 2.2", "", "mold[2].thin_mm", "is missing", "thin_mm = 2.2"),
    ("shelf.toml", "thin_mm = 2.2", "thin_mm = 22", "mold[2].thin_mm", "more than thick_mm", "swapped"),
    ("shelf.toml", "cavity_ml = 28", 'cavity_ml = "28 psi"', "mold[2].cavity_ml", "no unit of volume", "ml, l"),
    ("shelf.toml", 'code = "M02"', 'code = "m01"', "mold[2].code", "is taken", "its own"),
    ("shelf.toml", 'pull = "green"', 'pull = "gren"', "mold[2].pull", "must be one of green, hard", '"green"?'),
    ("shelf.toml", 'resin = "fast-white"', 'resin = "fast-wite"',
     "lot[1].resin", 'no resin "fast-wite"', '"fast-white"?'),
    ("shelf.toml", 'pot_life = "165 s"', 'pot_life = "11 min"', "lot[1].pot_life", "demold is sooner", "swapped"),
    ("shelf.toml", 'pot_life = "165 s"', 'density_b = "1.13 g/ml"',
     "lot[1].density_b", "make 100:100", "one of the four"),
    ("shelf.toml", "opened = 2025-12-30", 'opened = "yesterday"', "lot[1].opened", "is not a date", "2026-01-05"),
    ("shelf.toml", "opened = 2025-12-30", 'left = "1 kg"', "lot[1].left", "on which day", "left_on"),
    ("shelf.toml", "opened = 2025-12-30", "left_on = 2026-01-05", "lot[1].left_on", "without `left`", "1400 g"),
    ("shelf.toml", "opened = 2025-12-30", 'left = "3 kg"\nleft_on = 2026-01-05',
     "lot[1].left", "more than the 2000 g bought", "without their cans"),
    ("shelf.toml", "thin_mm = 2.2", 'thin_mm = 2.2\nresin = "fast-wite"',
     "mold[2].resin", 'no resin "fast-wite"', '"fast-white"?'),
    ("shelf.toml", "thin_mm = 2.2", "thin_mm = 2.2\nheight_cm = 0", "mold[2].height_cm", "greater than 0", "9"),
    ("bench.toml", 'diameter = "265 mm"', 'diameter = "265"',
     "pot.barrel.diameter", "no unit", "mm"),
    ("shelf.toml", "[[lot]]", "[[lots]]", "lots", "no such table", '"lot"?'),
    ("resins/fast-white.toml", 'demold = "10 min"', 'demold = "2 min"',
     "demold", "sooner than the pot life", "swapped"),
    ("resins/fast-white.toml", "100:90", "50:50", "ratio_weight", "make 100:90", "one of the four"),
    ("resins/fast-white.toml", "100:90", "half", "ratio_weight", "not a ratio", "100:90"),
    ("resins/slow-clear.toml", 'demold = "2 h"', 'demold = "2 h"\nheat_deflection = "5 C"',
     "heat_deflection", "30", "52 C"),
    ("resins/slow-clear.toml", 'pot_life = "20 min"', "", "pot_life", "is missing", 'pot_life = "3 min"'),
]  # fmt: skip


@pytest.mark.parametrize(("file", "old", "new", "key", "problem", "remedy"), SPOILED)
def test_one_wrong_thing_is_one_complaint_with_place_and_remedy(
    studio: Studio, file: str, old: str, new: str, key: str, problem: str, remedy: str
) -> None:
    complaints = studio.spoil(file, old, new).complaints()
    assert [c.key for c in complaints] == [key]
    (complaint,) = complaints
    assert complaint.file == str(studio.home / file)
    assert problem in complaint.problem
    assert remedy in complaint.remedy
    assert complaint.line is not None or file.startswith("resins/")


def test_the_line_is_that_of_the_key(studio: Studio) -> None:
    studio.spoil("bench.toml", 'floor = "35 psi"', 'floor = "35 lb"').spoil(
        "shelf.toml", "thin_mm = 2.0", "thin_mm = -1"
    )
    bench_says, shelf_says = studio.complaints()
    assert bench_says.line == studio.line_of("bench.toml", "35 lb")
    assert shelf_says.line == studio.line_of("shelf.toml", "thin_mm = -1")
    assert str(bench_says).startswith(f"{studio.home}/bench.toml:{bench_says.line}: pot.barrel.floor: ")


def test_everything_wrong_in_all_files_is_told_at_once_in_order(studio: Studio) -> None:
    studio.spoil("bench.toml", 'target = "42 psi"', "target = 42").spoil("bench.toml", 'of = "cup-1"', 'of = "cup-7"')
    studio.spoil("shelf.toml", "thin_mm = 6", "").spoil("resins/fast-white.toml", 'demold = "10 min"', "demold = 600")
    complaints = studio.complaints()
    assert [(Path(c.file).name, c.key) for c in complaints] == [
        ("bench.toml", "channel[1].of"),
        ("bench.toml", "pot.barrel.target"),
        ("shelf.toml", "mold[1].thin_mm"),
        ("fast-white.toml", "demold"),
    ]  # a resin with a fault is still there: neither the lots nor default_resin complain of it too


def test_a_target_near_the_mark_is_cautioned_not_refused(studio: Studio) -> None:
    (caution,) = studio.spoil("bench.toml", 'target = "42 psi"', 'target = "50 psi"').load().warnings
    assert caution.key == "pot.barrel.target"
    assert "83 % of the pot's mark" in caution.problem
    assert "45 psi" in caution.remedy


CAUTIONED = [
    ('relief = "55 psi"', 'relief = "40 psi"', "pot.barrel.relief"),
    ('["-2 psi", "100 psi"]', '["0 psi", "100 psi"]', "channel[2].range"),
    ('default_resin = "fast-white"', "", "bench.default_resin"),
]


@pytest.mark.parametrize(("old", "new", "key"), CAUTIONED)
def test_what_is_unwise_is_a_warning(studio: Studio, old: str, new: str, key: str) -> None:
    assert [w.key for w in studio.spoil("bench.toml", old, new).load().warnings] == [key]


def test_without_shelf_and_resins_the_bench_still_loads_and_says_so(studio: Studio) -> None:
    (studio.home / "shelf.toml").unlink()
    shutil.rmtree(studio.home / "resins")
    studio.spoil("bench.toml", 'default_resin = "fast-white"', "")
    loaded = studio.load()
    assert (loaded.bench.molds, loaded.bench.resins) == ((), ())
    assert [Path(w.file).name for w in loaded.warnings] == ["shelf.toml", "bench.toml"]


def test_a_shelf_asked_for_must_be_there(studio: Studio) -> None:
    with pytest.raises(SettingsError, match="cannot be read"):
        load(studio.home / "bench.toml", studio.home / "no.toml", catalogue=FakeCatalogue())


def test_a_missing_bench_file_is_told(tmp_path: Path) -> None:
    with pytest.raises(SettingsError, match=r"bench\.toml: file: cannot be read"):
        load(tmp_path / "bench.toml", catalogue=FakeCatalogue())


def test_an_absolute_gauge_is_judged_and_kept_as_gauge(studio: Studio) -> None:
    studio.spoil("bench.toml", 'range = ["-2 psi", "100 psi"]', 'range = ["0 psi", "90 psi"]\nreference = "absolute"')
    (complaint,) = studio.complaints()  # 90 psi absolute is 75 psi gauge, under 1.3 x 60
    assert "ends at 75 psi" in complaint.problem
    studio.spoil("bench.toml", '"90 psi"', '"100 psi"')
    gauge = studio.load().bench.channels[1]
    p_atm_kpa = studio.load().bench.p_atm_kpa
    assert gauge.low == pytest.approx(-p_atm_kpa)
    assert gauge.high == pytest.approx(parse_quantity("100 psi", "pressure") - p_atm_kpa)


def test_quantities_in_plug_in_tables_are_read_by_the_keys_ending(studio: Studio) -> None:
    studio.add("bench.toml", '\n[tune.air]\nwarn_rh_pct = "45 %"\nsettle_s = "3 min"\n')
    assert studio.load().bench.tune == {"air": {"warn_rh_pct": 45.0, "settle_s": 180.0}}


def test_crc_none_is_kept_for_the_core(studio: Studio) -> None:
    studio.spoil("bench.toml", 'port = "/dev/ttyACM0"', 'port = "/dev/ttyACM0"\ncrc = "none"')
    assert studio.load().bench.sources == (("board", "none"),)


def test_two_sources_of_one_id_are_refused(studio: Studio) -> None:
    studio.add("bench.toml", '\n[[source]]\nid = "board"\nkind = "serial_lines"\nport = "x"\n')
    assert [(c.key, "taken by another" in c.problem) for c in studio.complaints()] == [("source[2].id", True)]


def test_a_secret_is_never_printed(studio: Studio) -> None:
    studio.spoil("bench.toml", "port = 1883", 'port = 1883\npassword = "hunter2-long"')
    assert "hunter2" not in "\n".join(map(str, studio.complaints()))


def test_the_journal_lies_where_it_is_told(studio: Studio, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setenv("STATE_DIRECTORY", "/var/lib/benchd:/other")
    assert studio.load().journal_path == Path("/var/lib/benchd/journal.db")
    monkeypatch.delenv("STATE_DIRECTORY")
    monkeypatch.setenv("XDG_STATE_HOME", "/home/caster/.state")
    assert studio.load().journal_path == Path("/home/caster/.state/benchd/journal.db")
    studio.add("bench.toml", '\n[journal]\npath = "here/journal.db"\n')
    assert studio.load().journal_path == studio.home / "here" / "journal.db"


def test_the_journal_keeps_what_it_is_told_to(studio: Studio) -> None:
    assert studio.load().keep == Keep()
    ages = 'keep_lines = "24 months"\nkeep_minutes = "forever"\nkeep_words = "14 months"\nkeep_findings = "600 months"'
    studio.add("bench.toml", f"\n[journal]\n{ages}\n")
    assert studio.load().keep == Keep(24, None, 14, 600)


@pytest.mark.parametrize(
    ("written", "problem", "remedy"),
    [
        ('keep_lines = "2 months"', "must be 3 to 600 months", 'write "3 months" or more'),
        ('keep_words = "13 months"', "must be 14 to 600 months", 'write "14 months" or more'),
        ('keep_findings = "601 months"', "must be 14 to 600 months", 'write "14 months" or more'),
        ('keep_minutes = "2 years"', "says no time to keep something", 'write "24 months", or "forever"'),
        ("keep_minutes = 24", "says no time to keep something", 'write "24 months", or "forever"'),
        ('keep_blocks = "24 months"', "no such key", ""),
    ],
)
def test_an_age_that_cannot_be_names_its_key_and_a_remedy(
    studio: Studio, written: str, problem: str, remedy: str
) -> None:
    studio.add("bench.toml", f"\n[journal]\n{written}\n")
    (complaint,) = studio.complaints()
    assert Path(complaint.file).name == "bench.toml"
    assert complaint.key == f"journal.{written.partition(' ')[0]}"
    assert complaint.problem.startswith(problem)
    assert remedy in complaint.remedy


SCALARS = ("42", "true", '"x"', "[1]", "{ a = 1 }", "1979-05-27", "nan")


@pytest.mark.parametrize("table", ["bench", "source", "channel", "pot", "cup", "mqtt", "tune", "page", "journal"])
@pytest.mark.parametrize("value", SCALARS)
def test_no_wrong_shape_of_a_table_breaks_the_reading(tmp_path: Path, table: str, value: str) -> None:
    """Whatever stands where a table should: complaints, never a traceback."""
    path = tmp_path / "bench.toml"
    head = "" if table == "bench" else '[bench]\nshop = "s"\nname = "n"\n'
    path.write_text(f"{table} = {value}\n{head}")
    with pytest.raises(SettingsError) as caught:
        load(path, catalogue=FakeCatalogue())
    assert all(c.key.startswith(table) and c.line == 1 for c in caught.value.complaints)


FILES = ("bench.toml", "shelf.toml", "resins/fast-white.toml")
ODD = st.one_of(
    st.integers(-9, 10**9), st.floats(), st.booleans(), st.text(max_size=8), st.just([]), st.just({}), st.just([[1]]),
    st.just({"a": {"b": []}}), st.just(["x", 1]), st.just(""), st.just("0 psi"), st.just("1e99 s"), st.just("9" * 40),
)  # fmt: skip


def leaves(value: Any, path: tuple[Any, ...] = ()) -> list[tuple[Any, ...]]:
    """Every path in a TOML document, tables and lists included."""
    below = value.items() if isinstance(value, dict) else enumerate(value) if isinstance(value, list) else ()
    return ([path] if path else []) + [p for key, inner in below for p in leaves(inner, (*path, key))]


TEXTS = {file: (CONFIG / file).read_text() for file in FILES}
PATHS = [(file, path) for file in FILES for path in leaves(tomllib.loads(TEXTS[file]))]


@given(st.sampled_from(PATHS), ODD)
@settings(deadline=None, max_examples=examples(150), suppress_health_check=[HealthCheck.function_scoped_fixture])
def test_an_odd_value_anywhere_loads_or_is_complained_of(
    tmp_path: Path, place: tuple[str, tuple[Any, ...]], odd: Any
) -> None:
    file, path = place
    document = tomllib.loads(TEXTS[file])
    table = document
    for step in path[:-1]:
        table = table[step]
    table[path[-1]] = odd
    home = tmp_path / "odd"
    shutil.copytree(CONFIG, home, dirs_exist_ok=True)
    (home / file).write_text(tomlkit.dumps(document), encoding="utf-8")
    try:
        loaded = load(home / "bench.toml", catalogue=FakeCatalogue(), now_t=JANUARY_T)
    except SettingsError as error:
        assert error.complaints  # noqa: PT017  a refusal says why; anything else but a bench is a fault
    else:
        context = loaded.context(JANUARY_T)
        assert bench_from_context(context).id == loaded.bench.id
        json.dumps(to_record(context), allow_nan=False)
