"""`benchd check`: checks the configuration, ports and broker, and lists what is watched and what is not."""

from __future__ import annotations

import argparse
import asyncio
import logging
import os
import sys
import time
from collections.abc import Sequence
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any
from zoneinfo import ZoneInfo

from pydantic import BaseModel

from benchd.commands.check import full_scale, preflight, probe, values
from benchd.commands.check.day_notes import day_notes
from benchd.commands.check.journal_size import size_words
from benchd.commands.check.loss_signals import last_tested, signals, told
from benchd.core.bench import Bench
from benchd.core.intake.full_scale import FullScale
from benchd.core.units import shown_pressure
from benchd.errors import SourceError
from benchd.plugins import load_settings
from benchd.runtime.http.running import ask, is_same, running_config
from benchd.runtime.journal.age.keep import Keep
from benchd.runtime.mqtt.address import BrokerAddress
from benchd.runtime.mqtt.topics import Topics
from benchd.runtime.printing.terminal import BOLD, PLAIN, is_colored, painted, say
from benchd.runtime.serial.port import TAKEN, open_port
from benchd.settings import Loaded
from benchd.settings.config_option import add_config
from benchd.settings.places import Lying, listed
from benchd.settings.template import left_as_written
from benchd.sources.mqtt_values import Settings as ValueSettings

HELP = "check the settings, try the ports and the broker, say what is watched and what is not"
EXAMPLE = "benchd check -c /etc/benchd/bench.toml"
ANSWER_WITHIN_S = 5.0
BOARD_WITHIN_S = 5.0  # a board tells its full scale when it boots, which opening its port may make it do, and each 4 s
NEVER_WATCHED = (
    "lids, clamps, hoses, the bleed and the relief valve: only pressure can be sensed",
    "the air you breathe: masks and cartridges go by hours",
)
CAUTION = "benchd is no safety device: watch the dial, keep the relief valve free, follow the SDS and the pot's mark."


@dataclass(frozen=True, slots=True)
class Door:
    """A connection to the outside that was tried: a port, a broker, a file."""

    name: str
    what: str
    trouble: str
    fine: str = "answers"


def add_arguments(parser: argparse.ArgumentParser) -> None:
    """Add this command's arguments to its parser."""
    add_config(parser)
    parser.add_argument("--shelf", type=Path, help="shelf.toml, if not the bench's own")
    parser.add_argument("--files-only", action="store_true", help="check the files alone: open no port and no broker")
    pour = parser.add_argument_group("before a pour, against the running watch")
    pour.add_argument("--before-pour", action="store_true", help="is the bench ready to be watched through a pour?")
    pour.add_argument("--mask-hours", type=float, metavar="H", help="hours on the mask, kept as a note")
    pour.add_argument("--cartridge-hours", type=float, metavar="H", help="hours on its cartridges, kept as a note")
    pour.add_argument("--relief-lifted", choices=("yes", "no"), help="was the relief valve lifted by hand today?")
    pour.add_argument("--drained", choices=("yes", "no"), help="was the compressor's tank drained today?")
    pour.add_argument(
        "--echo",
        type=float,
        default=preflight.ECHO_WITHIN_S,
        metavar="S",
        help='how long to wait for "Heard" from a phone',
    )


def run(args: argparse.Namespace) -> int:
    """Run the command; returns the exit code."""
    loaded = load_settings(args.config, args.shelf)
    if args.before_pour:
        return before_pour(loaded, args)
    watched, unwatched = coverage(loaded)
    logging.getLogger("benchd").addHandler(logging.NullHandler())  # the results are printed once, below
    heard = full_scale.from_journal(loaded.journal_path)
    doors = [] if args.files_only else asyncio.run(try_doors(loaded, heard))
    if (running := running_config()) is not None and is_same(running, args.config):
        doors = [replace(d, trouble="", fine="open, by this running bench") if TAKEN in d.trouble else d for d in doors]
    scales = full_scale.judged(loaded.bench, args.config.name, heard, kinds_of(loaded))
    _title(args.config, loaded.bench)
    _section("Watched", watched)
    _section("Not watched", [*unwatched, *NEVER_WATCHED])
    _section("Where it lies", [lying(place) for place in listed(loaded.places, loaded.journal_path)])
    tested = last_tested(loaded.journal_path)
    _section("If benchd itself were gone", told(signals(loaded, tested), ZoneInfo(loaded.timezone)))
    _section("Tried", [f"{d.name}: {d.what}: {d.trouble or d.fine}" for d in doors])
    _section("Full scale", [scale.line for scale in scales])
    _section("Cautions", [str(w) for w in (*loaded.warnings, *left_as_written(loaded))])
    say("", CAUTION)
    return 1 if any(d.trouble for d in doors) or any(s.word == "look" for s in scales) else 0


def before_pour(loaded: Loaded, args: argparse.Namespace) -> int:
    """Print the running watch's answers and what it cannot see; 1 when something needs a look.

    Raises NoDaemonError.
    """
    lifted, drained = (None if said is None else said == "yes" for said in (args.relief_lifted, args.drained))
    typed = preflight.Typed(args.mask_hours, args.cartridge_hours, lifted, drained)
    _, state = ask("GET", "/api/v0/state")
    noted = day_notes(loaded.journal_path, float(state["now"]), loaded.timezone)
    found = preflight.answers(loaded.bench, state, typed, loaded.journal_path, time.time(), noted)
    scales = full_scale.judged(
        loaded.bench, args.config.name, full_scale.from_journal(loaded.journal_path), kinds_of(loaded)
    )
    found += [preflight.Answer("full scale", s.word, s.why) for s in scales if s.word != "yes"]
    say("On the phone: press heard.", flush=True)
    found.append(preflight.phone(args.echo))
    for answer in found:
        say(f"  {answer.line}")
    for text in preflight.notes(typed):
        ask("POST", "/api/v0/marks", {"verb": "note", "text": text, "by": "cli:check"})
    say(preflight.last_line(found))
    return 1 if any(a.word == "look" for a in found) else 0


def kinds_of(loaded: Loaded) -> dict[str, str]:
    """Source id -> the kind of its plug-in."""
    return {id: str(getattr(settings, "kind", "")) for id, settings in loaded.sources.items()}


def _title(path: Path, bench: Bench) -> None:
    counts = {
        "source": bench.sources, "channel": bench.channels, "pot": bench.pots, "cup": bench.cups, "mold": bench.molds,
        "lot": bench.lots, "resin": bench.resins,
    }  # fmt: skip
    told = ", ".join(f"{len(things)} {noun}{'' if len(things) == 1 else 's'}" for noun, things in counts.items())
    say(f"{bench.name} ({bench.shop}/{bench.id}) in {path}: {told}")


def _section(title: str, lines: Sequence[str]) -> None:
    if not lines:
        return
    is_plain = "NO_COLOR" in os.environ or not is_colored(sys.stdout)
    say("", painted(title, PLAIN if is_plain else BOLD))
    for line in lines:
        say(f"  {line}")


def lying(place: Lying) -> str:
    """A line for a person: what, where, its content, and whether the current user may not write there."""
    nearest = next(folder for folder in place.path.absolute().parents if os.access(folder, os.F_OK))
    able = os.access(nearest, os.W_OK) and (not place.path.is_dir() or os.access(place.path, os.W_OK))
    return f"{place.name}: {place.path}: {place.holds}{'' if able else '; you cannot write there'}"


# ------------------------------------------------------------------------------------------------------- coverage


def coverage(loaded: Loaded) -> tuple[list[str], list[str]]:
    """(what is watched, what is not) on this bench, as lines for a person."""
    bench = loaded.bench
    watched: list[str] = []
    unwatched: list[str] = []
    _pots(bench, watched, unwatched)
    _cups(bench, watched, unwatched)
    _rooms(bench, watched, unwatched)
    probed = [(mold, _channel(bench, "mold_temperature", mold.id)) for mold in bench.molds]
    watched += [f"{mold.code} {mold.name}: temperature ({channel})" for mold, channel in probed if channel]
    if bench.molds and not any(channel for _, channel in probed):
        unwatched.append("mold temperatures: typed with the mark, else taken as the room's")
    if "mqtt" not in loaded.outlets:
        unwatched.append("your phone: no [mqtt] broker, so nothing is heard away from the bench")
    unwatched += [f"damage to the lines of {id}: they carry no checksum" for id, crc in bench.sources if crc == "none"]
    unwatched += [
        f'the moment of what {id} measures: clock = "arrival"; leave it out, and lines that come late are dated right'
        for id, clock in bench.clocks if clock == "arrival"
    ]  # fmt: skip
    return watched, unwatched


def _channel(bench: Bench, role: str, of: str = "") -> str:
    return ", ".join(c.id for c in bench.channels if c.role == role and c.of == of)


def _pots(bench: Bench, watched: list[str], unwatched: list[str]) -> None:
    for pot in bench.pots:
        gauge = _channel(bench, "pot_pressure", pot.id)
        if not gauge:
            unwatched.append(f"{pot.name}: it has no gauge here, so no pressure, no leak, no venting")
            continue
        target, floor, limit = (
            shown_pressure(k, bench.pressure_unit) for k in (pot.target_kpa, pot.floor_kpa, pot.limit_kpa)
        )
        watched.append(
            f"{pot.name}: pressure ({gauge}), target {target}, floor {floor}, alarm above {limit}, {pot.hold}"
        )
        if not _channel(bench, "pot_gas_temperature", pot.id):
            unwatched.append(f"{pot.name}: the air inside; cooling after a fill is told from a leak by its shape alone")


def _cups(bench: Bench, watched: list[str], unwatched: list[str]) -> None:
    for cup in bench.cups:
        probe = _channel(bench, "cup_temperature", cup.id)
        if probe:
            watched.append(f"{cup.name}: the kick ({probe}), {cup.kind} cup of {cup.mass_g:g} g")
        else:
            unwatched.append(f"{cup.name}: it has no probe here, so its kick is the label's guess")
    if bench.cups and bench.label_for(None) is None:
        unwatched.append("the kick before the cup shows it: no label for a pour without a lot")


def _rooms(bench: Bench, watched: list[str], unwatched: list[str]) -> None:
    temperature, humidity = _channel(bench, "room_temperature"), _channel(bench, "room_humidity")
    if temperature and humidity:
        watched.append(f"the room: damp air ({temperature}, {humidity})")
    else:
        missing = "humidity" if temperature else "temperature" if humidity else "temperature and humidity"
        unwatched.append(f"the room: {missing} not measured, so no word of damp air")
    tank = [_channel(bench, role) for role in ("tank_pressure", "tank_temperature")]
    if all(tank):
        watched.append(f"the tank: wet air ({tank[0]}, {tank[1]})")
    elif humidity:
        unwatched.append('the tank: pressure and temperature not both measured, so wet air is only "possible"')


# ---------------------------------------------------------------------------------------------------------- doors


async def try_doors(loaded: Loaded, heard: dict[str, FullScale]) -> list[Door]:
    """Open each port and broker briefly, all at once; what boards say of their full scale is added to `heard`."""
    named: list[tuple[str, BaseModel]] = [*loaded.sources.items(), *loaded.outlets.items()]
    asked = {channel.source for channel in loaded.bench.channels if full_scale.asks(channel)}
    tried = await asyncio.gather(*(_try(loaded, name, settings, heard, name in asked) for name, settings in named))
    return [*(door for doors in tried for door in doors), _try_journal(loaded.journal_path, loaded.keep)]


async def _try(loaded: Loaded, name: str, settings: Any, heard: dict[str, FullScale], listens: bool) -> list[Door]:
    """Try what a plug-in's settings name: a broker's address, a serial port and its speed, or a file."""
    if isinstance(settings, BrokerAddress):
        return await _try_broker(loaded, name, settings)
    if hasattr(settings, "port") and hasattr(settings, "baud"):
        return [Door(name, settings.port, await _try_port(settings.port, settings.baud, heard, listens))]
    if hasattr(settings, "path"):
        there = os.access(settings.path, os.R_OK)
        return [Door(name, str(settings.path), "" if there else "cannot be read", "can be read")]
    return []


async def _try_broker(loaded: Loaded, name: str, settings: BrokerAddress) -> list[Door]:
    """The broker, by what is published there; and each value that is read from it."""
    probes = probe.probes_of(loaded, settings)
    fine = "takes what is published and brings it back" if probes else "answers"
    door = Door(name, f"{settings.host}:{settings.port}", await probe.tried(settings, probes), fine)
    if not door.trouble and name == "workshop":
        return [
            replace(door, trouble=await _tried_workshop(loaded, settings), fine="keeps records for `benchd gather`")
        ]
    if door.trouble or not isinstance(settings, ValueSettings):
        return [door]
    heard, seldom = await values.heard(settings), f"nothing within {values.LISTEN_S:.0f} s; it may send seldom"
    found = [(value, *heard.get(value.name, ("", seldom))) for value in settings.value]
    return [door, *(Door(f"{name} {value.name}", value.topic, trouble, came) for value, trouble, came in found)]


async def _tried_workshop(loaded: Loaded, settings: Any) -> str:
    from benchd.commands.check import workshop  # only for a bench that has one

    topics = Topics(loaded.bench.shop, loaded.bench.id, settings.prefix)
    return await asyncio.to_thread(workshop.tried, settings, topics)


async def _try_port(port: str, baud: int, heard: dict[str, FullScale], listens: bool) -> str:
    try:
        opened = await asyncio.wait_for(open_port(port, baud), ANSWER_WITHIN_S)
    except TimeoutError:
        return f"no answer within {ANSWER_WITHIN_S:.0f} s"
    except SourceError as error:
        return str(error).removeprefix(f"{port}: ")
    try:
        heard |= await full_scale.from_port(opened, BOARD_WITHIN_S if listens else 0.0)
    finally:
        opened.close()
    return ""


def _try_journal(path: Path, keep: Keep) -> Door:
    """Whether the journal's folder, or the nearest existing one, can be written."""
    folder = next(parent for parent in path.absolute().parents if parent.exists())
    able = os.access(path if path.exists() else folder, os.W_OK)
    trouble = "" if able else f"cannot be written; change who owns {folder}"
    return Door("journal", str(path), trouble, f"can be written; {size_words(path, keep)}")
