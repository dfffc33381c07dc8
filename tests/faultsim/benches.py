"""The benches that nights are of: boards with their pots, cups and foot switch, and everyone who is told.

SMALL has one board, one pot, one cup, a broker and a lamp.  ONE adds a foot switch, a home hub, a push service and a
monitor of the daemon itself; TWO is of two boards with two pots and three cups besides.
"""

from __future__ import annotations

import functools
import random
import tempfile
from dataclasses import dataclass
from pathlib import Path

from benchd.plugins import load_settings
from benchd.settings import Loaded

SHARE_OF_TWO = 0.25
PING_EVERY_S = 5.0


@dataclass(frozen=True, slots=True)
class Spot:
    """One board: its source, its names' beginning, its port, and what hangs on it (cups in order)."""

    source: str
    base: str
    port: str
    tty: str
    pot: str
    cups: tuple[str, ...]
    has_switch: bool = False

    def cup_names(self) -> list[str]:
        """The names its cups' probes have on the board."""
        return ["cup", "cup2"][: len(self.cups)]


@dataclass(frozen=True, slots=True)
class Shape:
    """One bench; `is_wide`: with hub, push and monitor, and drawn shorter and denser."""

    spots: tuple[Spot, ...]
    is_wide: bool


_FIRST = Spot("board", "b1-", "usb:2e8a:000a", "/dev/ttyACM0", "barrel", ("cup-1",))
_FOOT = Spot("board", "b1-", "usb:2e8a:000a", "/dev/ttyACM0", "barrel", ("cup-1",), has_switch=True)
_SECOND = Spot("second", "b2-", "usb:1a86:7523", "/dev/ttyUSB0", "drum", ("cup-2", "cup-3"))
SMALL = Shape((_FIRST,), is_wide=False)
ONE = Shape((_FOOT,), is_wide=True)
TWO = Shape((_FOOT, _SECOND), is_wide=True)


def drawn_shape(seed: int) -> Shape:
    """The bench of a wide night."""
    return TWO if random.Random(f"{seed}/bench").random() < SHARE_OF_TWO else ONE


BENCH = """
[bench]
shop = "quiet-harbour"
name = "North bench"
id = "north"
timezone = "Europe/Oslo"
units = { pressure = "psi", temperature = "C" }
"""
TOLD = """
[mqtt]
host = "127.0.0.1"
port = 1883
keepalive_s = 5
[speaker]
source = "board"
board = "b1-"
"""
TOLD_BESIDES = """
[hub_discovery]
host = "127.0.0.1"
port = 1883
keepalive_s = 5
discovery_prefix = "hub"
[push]
targets_file = "{folder}/targets"
[deadman]
url_file = "{folder}/url"
every_s = {every_s}
"""


def _spot(spot: Spot) -> str:
    cups = "".join(
        f'[[channel]]\nsource = "{spot.source}"\nsenml = "{spot.base}{name}"\nrole = "cup_temperature"\nof = "{cup}"\n'
        'resolution = "0.25 C"\n'
        for name, cup in zip(spot.cup_names(), spot.cups, strict=True)
    )
    return (
        f'[[source]]\nid = "{spot.source}"\nkind = "serial_lines"\nport = "{spot.port}"\n{cups}'
        f'[[channel]]\nsource = "{spot.source}"\nsenml = "{spot.base}pot"\nrole = "pot_pressure"\nof = "{spot.pot}"\n'
        'range = ["-2 psi", "100 psi"]\nresolution = "0.02 psi"\n'
    )


def _vessels(spot: Spot) -> str:
    cups = "".join(f'[cup.{cup}]\nname = "witness {cup}"\nkind = "witness"\nmass = "25 g"\n' for cup in spot.cups)
    return (
        f'[pot.{spot.pot}]\nname = "{spot.pot.title()}"\nvolume = "16.5 l"\nfree = "13 l"\ndiameter = "265 mm"\n'
        'marked = "60 psi"\nrelief = "55 psi"\ntarget = "42 psi"\nfloor = "35 psi"\nhold = "feed-then-isolate"\n' + cups
    )


_folder = tempfile.TemporaryDirectory(prefix="faultsim-")


@functools.cache
def loaded(shape: Shape) -> Loaded:
    """The invented studio's bench, read once a process; the private files it names stay until the process ends."""
    folder = Path(_folder.name)
    for name, text in (("targets", "1-2 json://127.0.0.1:9/word\n"), ("url", "http://127.0.0.1:9/ping\n")):
        path = folder / name
        path.write_text(text, "utf-8")
        path.chmod(0o600)
    config = BENCH + "".join(map(_spot, shape.spots)) + "".join(map(_vessels, shape.spots)) + TOLD
    if shape.is_wide:
        config += TOLD_BESIDES.format(folder=folder, every_s=PING_EVERY_S)
    path = folder / f"bench-{len(shape.spots)}-{shape.is_wide}.toml"
    path.write_text(config, "utf-8")
    return load_settings(path)
