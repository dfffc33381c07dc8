"""The content of the files `benchd init` writes: bench.toml, shelf.toml and a resin, each key with its meaning."""

from __future__ import annotations

import json
from collections.abc import Mapping
from dataclasses import dataclass, field

from benchd.commands.init.values import Published
from benchd.core.bench import WITNESS_G
from benchd.rehearsal.scenario import Scenario

EMPTY_SHELF = """\
# Your molds and open lots.  Take the # away and write your own; a code prints as written and compares without capitals.

# [[mold]]
# code = "M01"
# name = "Lantern Keeper torso"
# cavity_ml = 96
# gate_ml = 14
# thin_mm = 6               # the thinnest section, and the thickest: they gel last and cool last
# thick_mm = 26

# [[lot]]
# code = "R-01"
# resin = "fast-white"      # a file in resins/
"""


@dataclass(frozen=True, slots=True)
class Answers:
    """Everything bench.toml needs; quantities as written, with their units."""

    shop: str
    name: str
    source: Mapping[str, str | int]
    roles: Mapping[str, str]
    pot_id: str = "pot"
    pot: Mapping[str, str] = field(default_factory=dict)
    gauge_top: str = "100 psi"
    broker: tuple[str, int] | None = None
    values: Mapping[str, Published] = field(default_factory=dict)
    """Name -> where it stands at a broker, for sensors without a board of ours."""

    @property
    def cups(self) -> list[str]:
        """The names with the role of a cup's temperature."""
        return [name for name, role in self.roles.items() if role == "cup_temperature"]


def bench_text(answers: Answers) -> str:
    """The text of bench.toml."""
    parts = [
        "# Written by `benchd init`.  `benchd check -c` this file says what is watched and what is not.\n",
        _table("[bench]", {"shop": answers.shop, "name": answers.name, "default_resin": "fast-white"})
        + '# altitude = "120 m"             # where absolute pressures or dew points must be right\n'
        '# quiet_hours = "22:00-07:00"    # only what cannot wait is spoken\n',
        _table("[[source]]", {"id": "board", **answers.source}),
        *(
            _value(name, answers.values[name])
            for name, role in answers.roles.items()
            if role and name in answers.values
        ),
        *(_channel(answers, name, role) for name, role in answers.roles.items() if role),
    ]
    if "pot_pressure" in answers.roles.values():
        note = '# target = "42 psi"              # what you fill to, and the floor: the least that counts\n'
        parts.append(_table(f"[pot.{answers.pot_id}]", answers.pot) + note + '# floor = "35 psi"\n')
    for number, _ in enumerate(answers.cups, 1):
        note = f'# mass = "{WITNESS_G:g} g"                  # how much stands in it\n'
        parts.append(_table(f"[cup.cup-{number}]", {"name": "witness cup", "kind": "witness"}) + note)
    if answers.source["kind"] == "simulated":  # invented readings stay out of the real journal
        parts.append(_table("[journal]", {"path": "journal.db"}))
    if answers.broker is not None:
        parts.append(_table("[mqtt]", {"host": answers.broker[0], "port": answers.broker[1]}))
    else:
        parts.append('# No broker: no phone hears this bench.  With one:\n# [mqtt]\n# host = "127.0.0.1"\n')
    return "\n".join(parts)


def _table(head: str, keys: Mapping[str, str | int]) -> str:
    return "".join([head + "\n", *(f"{key} = {written(value)}\n" for key, value in keys.items())])


def written(value: str | int) -> str:
    """A TOML value; a JSON string in ASCII is a TOML basic string (TOML 1.0)."""
    return json.dumps(value).replace("\x7f", "\\u007f")


def _value(name: str, found: Published) -> str:
    keys = {"name": name, "topic": found.topic, **({"key": found.key} if found.key else {}), "unit": found.unit}
    note = '# stale_after = "5 min"           # longer silence is told; availability = { topic = "..." } at once\n'
    return _table("[[source.value]]", keys) + note


def _channel(answers: Answers, name: str, role: str) -> str:
    keys: dict[str, str | int] = {"source": "board", "senml": name, "role": role}
    if role == "cup_temperature":
        keys["of"] = f"cup-{answers.cups.index(name) + 1}"
    if role in ("pot_pressure", "pot_gas_temperature"):
        keys["of"] = answers.pot_id
    text = _table("[[channel]]", keys)
    if role == "pot_pressure":
        text += f'range = ["-2 psi", {written(answers.gauge_top)}]   # what the sensor can read\n'
    return text


def shelf_text(scenario: Scenario | None) -> str:
    """The text of shelf.toml: the rehearsal's molds and lots, else one to fill in."""
    if scenario is None:
        return EMPTY_SHELF
    parts = ["# The simulated bench's shelf.\n"]
    for mold in scenario.molds:
        name = {"name": mold.name or mold.code}
        numbers = {
            "cavity_ml": mold.cavity_ml, "gate_ml": mold.gate_ml, "thin_mm": mold.thin_mm, "thick_mm": mold.thick_mm,
            "wall_mm": mold.wall_mm,
        }  # fmt: skip
        parts.append(
            _table("[[mold]]", {"code": mold.code, **name}) + "".join(f"{k} = {v:g}\n" for k, v in numbers.items())
        )
    parts += [_table("[[lot]]", {"code": lot.code, "resin": "fast-white"}) for lot in scenario.lots]
    return "\n".join(parts)
