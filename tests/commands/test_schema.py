"""The JSON Schemas, judged by another implementation (jsonschema) over real files, recordings and findings."""

from __future__ import annotations

import copy
import datetime
import json
import tomllib
from dataclasses import fields, replace
from functools import cache
from pathlib import Path
from typing import Any, Literal, Union, get_args, get_origin, get_type_hints

import jsonschema
import pytest
from recordings_by_hand import context, fill_and_vent

from benchd import cli
from benchd.commands.schema import SCHEMAS
from benchd.core.engine import Engine
from benchd.core.findings import FINDINGS, Finding
from benchd.core.format.printed import to_json_object
from benchd.core.format.record import from_record, heading, to_record
from benchd.core.model import Alert, ClockStep, Gap, Input, Line, Mark, News, RawLine, Status, Subject, Table, Utterance
from benchd.plugins import PLUGINS, watcher_plan

CONFIG = Path(__file__).parents[2] / "config"
SUBJECT = Subject(bench="north", pot="barrel", load="barrel-9", cup="cup-1", pour="cup-1-7", mold="m02", channel="c")


@cache
def validator(name: str) -> jsonschema.Draft202012Validator:
    """What judges by a schema, the schema having been printed and read back."""
    schema = json.loads(json.dumps(SCHEMAS[name][1]()))
    jsonschema.Draft202012Validator.check_schema(schema)
    return jsonschema.Draft202012Validator(schema)


@pytest.mark.parametrize("name", sorted(SCHEMAS))
def test_the_command_prints_the_schema(name: str, capsys: pytest.CaptureFixture[str]) -> None:
    assert cli.main(["schema", name]) == 0
    assert json.loads(capsys.readouterr().out) == validator(name).schema


def as_json(value: Any) -> Any:
    """TOML's values as JSON has them: dates as text."""
    return json.loads(json.dumps(value, default=datetime.date.isoformat))


@pytest.mark.parametrize(
    ("name", "file"),
    [
        ("config", "bench.toml"),
        ("config", "bench-mqtt-values.toml"),
        ("shelf", "shelf.toml"),
        ("resin", "resins/fast-white.toml"),
        ("resin", "resins/medium-white.toml"),
        ("resin", "resins/slow-clear.toml"),
    ],
)
def test_the_studios_files_are_valid(name: str, file: str) -> None:
    judge = validator(name)
    judge.validate(as_json(tomllib.loads((CONFIG / file).read_text())))


BROKEN: list[tuple[list[str | int], Any]] = [
    (["pot", "barrel", "marked"], 60),
    (["pot", "barrel", "marked"], "60"),
    (["pot", "barrel", "colour"], "red"),
    (["pot", "Big Pot"], {}),
    (["channel", 0, "role"], "cup_temp"),
    (["source", 0, "kind"], "serial"),
    (["source", 0, "id"], "My Board"),
    (["mqtt", "prot"], 1883),
    (["mqt"], {}),
    (["tune"], {"sensor": {}}),
    (["tune"], {"sensors": {"silent": 1}}),
]


@pytest.mark.parametrize(("path", "value"), BROKEN)
def test_a_broken_config_is_not_valid(path: list[str | int], value: Any) -> None:
    judge = validator("config")
    config = as_json(tomllib.loads((CONFIG / "bench.toml").read_text()))
    spoiled = copy.deepcopy(config)
    place = spoiled
    for step in path[:-1]:
        place = place[step]
    place[path[-1]] = value
    assert judge.is_valid(config)
    assert not judge.is_valid(spoiled)


def test_every_plug_in_has_its_place_in_the_config() -> None:
    schema = validator("config").schema
    assert {f"sources.{kind}" for kind in PLUGINS.kinds("sources")} <= set(schema["$defs"])
    assert set(PLUGINS.kinds("outlets")) <= set(schema["properties"])
    assert set(schema["properties"]["tune"]["properties"]) == set(PLUGINS.kinds("watchers"))


def test_a_tuned_quantity_may_carry_its_unit() -> None:
    judge = validator("config")
    sensors: dict[str, str | int] = {"silent_s": "5 s", "cup_step_c": 60}
    config = {"bench": {"shop": "s", "name": "n"}, "tune": {"sensors": sensors}}
    judge.validate(config)
    sensors["silent_periods"] = "5"  # a count has no unit
    assert not judge.is_valid(config)


def sample(hint: Any) -> Any:
    """Some value of a field's type."""
    plain: dict[Any, Any] = {str: "x", float: 1767607200.123, int: 3, bool: True, type(None): None}
    if hint in plain:
        return plain[hint]
    origin, parts = get_origin(hint), get_args(hint)
    if origin is Literal:
        return parts[0]
    if origin is tuple:
        return tuple(sample(p) for p in parts if p is not Ellipsis)
    assert origin is Union or origin is type(int | str)
    return sample(parts[0])


def made(cls: type[Finding]) -> Finding:
    hints = get_type_hints(cls)
    values = {f.name: sample(hints[f.name]) for f in fields(cls) if f.name not in ("t", "subject")}
    return cls(t=1767607200.0, subject=SUBJECT, **values)


@pytest.mark.parametrize("name", sorted(FINDINGS))
def test_every_finding_as_printed_fits_and_only_one_schema(name: str) -> None:
    judge = validator("findings")
    printed = to_json_object(made(FINDINGS[name]))
    judge.validate(printed)
    bare = to_json_object(replace(made(FINDINGS[name]), subject=Subject(bench="north")))
    judge.validate(bare)
    assert not judge.is_valid(printed | {"finding": "pot_singing"})
    assert not judge.is_valid(printed | {"extra": 1})
    assert not judge.is_valid({k: v for k, v in printed.items() if k != "subject"})


def test_alerts_and_utterances_as_printed_fit() -> None:
    judge = validator("findings")
    alert = Alert(t=1.0, alert="pot-leaking", active=True, heard=False, priority=2, subject=SUBJECT)
    judge.validate(to_json_object(alert))
    judge.validate(to_json_object(replace(alert, value=1.5, limit=2.0, shelved_until=9.0)))
    said = Utterance(t=1.0, say="At pressure.", priority=3, tone="one", say_until=31.0, subject=SUBJECT)
    judge.validate(to_json_object(said))


def test_all_that_a_replay_tells_fits() -> None:
    judge = validator("findings")
    engine, told = Engine(watcher_plan), 0
    for line in [context(), *fill_and_vent()]:
        for effect in engine.step(from_record(json.loads(line))):
            if isinstance(effect, Finding | Alert | Utterance):
                judge.validate(json.loads(json.dumps(to_json_object(effect))))
                told += 1
    assert told > 5


INPUTS: list[Input] = [
    Line(1.0, "board", "[]"),
    Line(1.0, "wifi", "[]", "boards/b2"),
    RawLine(1.0, "board", "//79"),
    Mark(t=1.0, verb="mix", id="m1", by="switch", cup="cup-1", molds=("m02",), a_g=159.5, mold_c=40.0, ttl_s=30.0),
    Mark(t=1.0, verb="demolded", mold="m02", feel="green", grade="scrap", cause="trap"),
    Status(1.0, "board", False, "unplugged"),
    News(1.0, "contested", True, "another client uses our id"),
    Gap(9.0, 4.0, "paused", 3),
    ClockStep(1.0, 3600.0),
    Table(1.0, "fast-white", "t1", {"axes": [1, 2]}),
]


def test_every_kind_of_input_fits_the_recordings_schema() -> None:
    judge = validator("recording")
    for item in INPUTS:
        judge.validate(to_record(item))
    judge.validate(json.loads(context()))
    judge.validate(json.loads(heading("north")))


@pytest.mark.parametrize(
    "line",
    [
        {"t": 1.0},
        {"t": -1.0, "source": "a", "line": "x"},
        {"t": 1.0, "source": "a", "line": "x", "more": 1},
        {"t": 1.0, "mark": {"verb": "sing"}},
        {"t": 1.0, "mark": {"cup": "cup-1"}},
        {"t": 1.0, "mark": {"verb": "mix", "molds": "m02"}},
        {"recording": 7, "bench": "north"},
    ],
)
def test_what_is_no_input_does_not(line: dict[str, Any]) -> None:
    assert not validator("recording").is_valid(line)
