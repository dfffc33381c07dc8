"""`benchd init`: writes a bench's files for a new board: finds port and broker, shows what is sent, asks what it is."""

from __future__ import annotations

import argparse
import asyncio
import contextlib
import socket
import sys
from collections.abc import Callable, Mapping, Sequence
from dataclasses import replace
from pathlib import Path

from serial.tools import list_ports

from benchd.commands.init.files import Answers, bench_text, shelf_text
from benchd.commands.init.guess import guess_roles
from benchd.commands.init.service import owner_of, steps, unit_text
from benchd.commands.init.values import Published, published
from benchd.commands.lines import Row, broker_address, plot, said
from benchd.core.bench import ROLES
from benchd.core.format.plain_text import printable
from benchd.core.units import Dimension, QuantityError, parse_quantity, shown_pressure
from benchd.errors import BenchdError
from benchd.plugins import load_settings
from benchd.rehearsal import Rehearsal, load_scenario
from benchd.rehearsal.scenario import Scenario
from benchd.runtime.printing.terminal import asked, say
from benchd.runtime.serial.overhear import Overheard, overhear
from benchd.settings.template import FAST_WHITE
from benchd.settings.toml_file import slug

HELP = "set up a bench: find the board and the broker, ask which channel is which, write the files"
EXAMPLE = "benchd init --simulate trial && benchd run -c trial/bench.toml"
BY_ID = Path("/dev/serial/by-id")
BROKER = ("127.0.0.1", 1883)
SCENARIO = "load-1"
USUAL_TOP = "100 psi"
PAGE = "http://127.0.0.1:8127"
POT: tuple[tuple[str, Dimension, str], ...] = (
    ("volume", "volume", "the pot's whole inside, for example 16.5 l"),
    ("marked", "pressure", "the highest pressure written on the pot, for example 60 psi"),
    ("relief", "pressure", "where its relief valve lifts, for example 55 psi"),
)
"""Data that only the pot's label gives; none of it has a default."""

Ask = Callable[[str, str], str]
"""(question, answer on Enter) -> the answer."""


def add_arguments(parser: argparse.ArgumentParser) -> None:
    """Add this command's arguments to its parser."""
    parser.add_argument("folder", type=Path, nargs="?", default=Path("config"), help="where to write (default config)")
    parser.add_argument("--simulate", action="store_true", help="no board: a simulated bench, for a first look")
    parser.add_argument("--port", help="the board's port; found by itself when it is the only one")
    parser.add_argument(
        "--values", type=broker_address, metavar="HOST:PORT", help="no board: sensors that publish at this broker"
    )
    parser.add_argument("--baud", type=int, default=115_200, help="the port's speed (default 115200)")
    parser.add_argument("--no-crc", action="store_true", help="the board's lines carry no checksum")
    parser.add_argument("--listen", type=float, default=5.0, metavar="S", help="seconds to listen to it (default 5)")
    parser.add_argument(
        "--channel", action="append", default=[], metavar="NAME=ROLE", help=f"NAME= leaves it out; {', '.join(ROLES)}"
    )
    for key, _, what in POT:
        parser.add_argument(f"--{key}", help=what)
    parser.add_argument("--gauge-top", help="the highest pressure the pot's sensor reads (default: as the board says)")
    parser.add_argument("--shop", help="your studio's name as an id, which is part of every topic")
    parser.add_argument("--name", help="the bench's name, as it is spoken")
    parser.add_argument(
        "--broker", metavar="HOST:PORT", help='the MQTT broker, or "none" (default: one on this machine)'
    )
    parser.add_argument("--yes", action="store_true", help="ask nothing: take what is found and guessed")
    parser.set_defaults(parser=parser)


def run(args: argparse.Namespace) -> int:
    """Run the command; returns the exit code."""
    files = [args.folder / name for name in ("bench.toml", "shelf.toml", "resins/fast-white.toml", "benchd.service")]
    _refuse_to_overwrite(files)
    ask = _silent if args.yes or args.simulate or not sys.stdin.isatty() else _asked
    scenario = load_scenario(SCENARIO) if args.simulate else None
    source, heard, values = _listened(args, ask, scenario)
    answers = replace(_answers(args, ask, source, heard, scenario), values=values)
    program = Path(sys.executable).with_name("benchd")  # installed beside its Python
    config = files[0].absolute()
    owner = owner_of(config.parent)
    texts = (
        bench_text(answers), shelf_text(scenario), FAST_WHITE, unit_text(program, config, owner),
    )  # fmt: skip
    _write(dict(zip(files, texts, strict=True)), [] if owner is None else [owner.state])
    _tell(files, steps(program, config, owner))
    return 0


# ------------------------------------------------------------------------------------------------- the board


def _simulated(scenario: Scenario) -> tuple[dict[str, str | int], Overheard]:
    """The rehearsal as a source, and what its board sends in the first seconds."""
    heard = Overheard()
    for frame in Rehearsal(scenario, 0).frames():
        if frame.t_s > 5.0:
            break
        for raw in frame.lines:
            heard.take(raw.removesuffix(b"\n"), frame.t_s)
    return {"kind": "simulated", "scenario": scenario.name}, heard


def _listened(
    args: argparse.Namespace, ask: Ask, scenario: Scenario | None
) -> tuple[dict[str, str | int], Overheard, dict[str, Published]]:
    """(the source's table, what it sends by name, and where at a broker each stands)."""
    if scenario is not None:
        return *_simulated(scenario), {}
    if args.values is None:
        return *_board(args, ask), {}
    heard, values = published(args.values, args.listen, ask)
    return {"kind": "mqtt_values", "host": args.values.host, "port": args.values.port}, heard, values


def found_ports() -> dict[str, str]:
    """Path -> description of the port; paths use the system's permanent names where there are any."""
    lasting = {link.resolve(): link for link in sorted(BY_ID.iterdir())} if BY_ID.is_dir() else {}
    ports = [port for port in list_ports.comports() if port.vid is not None or "USB" in port.device]
    return {str(lasting.get(Path(port.device), port.device)): printable(port.description or "") for port in ports}


def _board(args: argparse.Namespace, ask: Ask) -> tuple[dict[str, str | int], Overheard]:
    port = args.port or _chosen_port(ask)
    say(f"listening to {port} for {args.listen:g} s ...", flush=True)
    heard = asyncio.run(overhear(port, args.baud, args.listen, checked=not args.no_crc))
    if not heard.names:
        refused = ", ".join(f"{count} {why}" for why, count in heard.refused.items())
        why = f"no line was understood (refused: {refused})" if refused else "it sent nothing"
        raise BenchdError(f"{port}: {why}; is it the right port, baud rate and checksum (--port, --baud, --no-crc)?")
    source: dict[str, str | int] = {"kind": "serial_lines", "port": port}
    source |= {"baud": args.baud} if args.baud != 115_200 else {}
    source |= {"crc": "none"} if args.no_crc else {}
    return source, heard


def _chosen_port(ask: Ask) -> str:
    ports = found_ports()
    if not ports:
        raise BenchdError("no serial port is found: plug the board in, name it with --port, or begin with --simulate")
    for port, what in ports.items():
        say(f"  {port}  {what}")
    if len(ports) == 1:
        return next(iter(ports))
    if ask is _silent:
        raise BenchdError(
            f"several ports are found: name the board's with --port, for example --port {next(iter(ports))}"
        )
    return ask("which port is the board's?", next(iter(ports)))


# ------------------------------------------------------------------------------------------------- the questions


def _silent(question: str, default: str) -> str:
    return default


def _asked(question: str, default: str) -> str:
    """Ask at the terminal; Enter takes the default."""
    shown = f" [{default}]" if default else ""
    try:
        return asked(f"{question}{shown} ").strip() or default
    except EOFError:
        return default


def _answers(
    args: argparse.Namespace, ask: Ask, source: Mapping[str, str | int], heard: Overheard, scenario: Scenario | None
) -> Answers:
    roles = _roles(args, ask, heard)
    pot = _pot(args, ask, scenario is not None) if "pot_pressure" in roles.values() else {}
    shop = slug(args.shop or ask("what is your studio called?", "studio")) or "studio"
    name = printable(args.name or ask("and this bench? It is spoken.", "Bench"))[:60]
    top = args.gauge_top or _gauge_top(ask, roles, heard)
    pot_id, pot_name = (scenario.pot.id, scenario.pot.name) if scenario is not None else ("pot", "Pot")
    return Answers(shop, name, source, roles, pot_id, {"name": pot_name, **pot}, top, _broker(args, ask))


def _roles(args: argparse.Namespace, ask: Ask, heard: Overheard) -> dict[str, str]:
    given = dict(word.partition("=")[::2] for word in args.channel)
    for name, role in given.items():
        if role and role not in ROLES:
            args.parser.error(f'--channel {name}: no role "{role}"; there are {", ".join(ROLES)}')
        if name not in heard.names:
            args.parser.error(f"--channel {name}: the board sends {', '.join(heard.names)}")
    roles: dict[str, str] = {}
    for name, guess in guess_roles(heard.names).items():
        row = Row(heard.names[name].unit)
        row.values.extend(value for _, value in heard.names[name].values)
        say(f"  {name:<14} {said(row):>14}  {plot(list(row.values))}")
        roles[name] = given[name] if name in given else _role(ask, guess)
        say(f"  {'':<14} -> {roles[name] or 'left out'}")
    return roles


def _role(ask: Ask, guess: str) -> str:
    while True:
        role = ask(f"     what is it? a role ({', '.join(ROLES)}) or - to leave it out", guess or "-")
        if role == "-":
            return ""
        if role in ROLES:
            return role
        say("     that is not one of them")


def _pot(args: argparse.Namespace, ask: Ask, is_simulated: bool) -> dict[str, str]:
    known = {"volume": "16.5 l", "marked": "60 psi", "relief": "55 psi"} if is_simulated else {}
    pot: dict[str, str] = {}
    for key, dimension, what in POT:
        pot[key] = getattr(args, key) or known.get(key) or _quantity(args, ask, key, dimension, what)
    return pot


def _gauge_top(ask: Ask, roles: Mapping[str, str], heard: Overheard) -> str:
    """The upper end of the pot gauge's range: what its board says it reckons with, else the caster's word."""
    gauges = [name for name, role in roles.items() if role == "pot_pressure"]
    for name in gauges:
        if name in heard.scales:
            top = shown_pressure(heard.scales[name] / 1000.0, "psi")
            say(f"  the board takes {name}'s sensor for one that reads to {top}; is that what is printed on it?")
            return top
    return ask("what does the pot's sensor read to?", USUAL_TOP) if gauges else USUAL_TOP


def _quantity(args: argparse.Namespace, ask: Ask, key: str, dimension: Dimension, what: str) -> str:
    """A quantity that only the caster knows; asked until it can be parsed."""
    if ask is _silent:
        args.parser.error(f"the board has a pot gauge: give --{key}, {what}")
    while True:
        answer = ask(f"{what}?", "")
        try:
            parse_quantity(answer, dimension)
        except QuantityError as error:
            say(f"  that {error.problem}; {error.remedy}")
        else:
            return answer


def _broker(args: argparse.Namespace, ask: Ask) -> tuple[str, int] | None:
    if args.broker is not None:
        host, _, port = args.broker.partition(":")
        return None if args.broker == "none" else (host, int(port) if port.isdecimal() else BROKER[1])
    with contextlib.suppress(OSError), socket.create_connection(BROKER, 0.5):
        answer = ask(f"a broker answers at {BROKER[0]}:{BROKER[1]}: tell a phone through it?", "yes")
        return BROKER if answer.lower().startswith("y") else None
    say(f"  no broker answers at {BROKER[0]}:{BROKER[1]}: no phone will hear the bench until [mqtt] names one")
    return None


# ------------------------------------------------------------------------------------------------- the files


def _refuse_to_overwrite(files: list[Path]) -> None:
    there = [str(path) for path in files if path.exists() or path.is_symlink()]
    if there:
        raise BenchdError(f"already there, and never overwritten: {', '.join(there)}; name another folder")


def _write(texts: Mapping[Path, str], folders: Sequence[Path] = ()) -> None:
    """Write all files or none: they are deleted again when one cannot be written, or when they are inconsistent.

    folders: the unit names these as writable, so they must exist before it starts.
    """
    made: list[Path] = []
    try:
        for folder in folders:
            folder.mkdir(mode=0o700, parents=True, exist_ok=True)
        for path, text in texts.items():
            path.parent.mkdir(parents=True, exist_ok=True)
            with path.open("x", encoding="utf-8") as out:
                made.append(path)
                out.write(text)
        load_settings(next(iter(texts)))
    except BaseException as error:  # also Ctrl-C: all or none
        for path in made:
            path.unlink(missing_ok=True)
        if not isinstance(error, OSError):
            raise
        raise BenchdError(f"{error.filename}: {error.strerror}; nothing is written") from error


def _tell(files: list[Path], before: list[str]) -> None:
    bench, _, label, service = files
    say("wrote " + ", ".join(map(str, files)))
    say(f"next:  write what your resin's label says into {label}")
    say(f"       benchd run -c {bench}     watch; its page is at {PAGE}")
    say(f"       benchd check -c {bench}   what is watched and what is not")
    say(f"       {service} says how to install it as a service")
    for line in before:
        say(f"       {line}")
