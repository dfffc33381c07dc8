"""Finds, for `benchd init --values`, the numbers published at a broker, and guesses the unit of each by its words."""

from __future__ import annotations

import asyncio
import re
from collections.abc import Callable
from dataclasses import dataclass

from benchd.commands._numbers import Leaf, overhear_numbers
from benchd.errors import BenchdError
from benchd.runtime.mqtt.address import BrokerAddress
from benchd.runtime.printing.terminal import say
from benchd.runtime.serial.overhear import Name, Overheard
from benchd.settings.toml_file import slug
from benchd.sources.mqtt_values.payload import converted, senml_unit

NAME_LETTERS = 32
AIR_MBAR = (870.0, 1086.0)  # the lowest and highest air pressure recorded at sea level (WMO), from memory
GUESSES = (
    (r"temp|ds18|thermo", "C"), (r"hum|(^|[^a-z])rh($|[^a-z])", "%"), (r"psi", "psi"), (r"kpa", "kPa"), (r"bar", "bar"),
    (r"weight|mass|scale|gram", "g"),
)  # fmt: skip


@dataclass(frozen=True, slots=True)
class Published:
    """Where a number stands, and in which unit."""

    topic: str
    key: str
    unit: str


def guess_unit(leaf: Leaf, last: float) -> str:
    """The likely unit of a number, "" for none: by its key, else by its topic."""
    for text in (leaf[1], leaf[0]):
        words = text.lower()
        if "press" in words and AIR_MBAR[0] <= last <= AIR_MBAR[1]:
            return "mbar"
        for pattern, unit in GUESSES:
            if re.search(pattern, words):
                return "F" if unit == "C" and re.search(r"(^|[^a-z])(f|fahrenheit)$", words) else unit
    return ""


def published(
    address: BrokerAddress, for_s: float, ask: Callable[[str, str], str]
) -> tuple[Overheard, dict[str, Published]]:
    """(the numbers as a board's names in SenML units, where each stands); the unit of each is asked.

    Raises BenchdError when nothing is heard, SourceError when there is no broker.
    """
    say(f"listening to {address.host}:{address.port} for {for_s:g} s ...", flush=True)
    heard = asyncio.run(overhear_numbers(address, "#", for_s))
    board, where = Overheard(), dict[str, Published]()
    for leaf, numbers in heard.names.items():
        title = " ".join(filter(None, leaf))
        unit = ask(
            f"  {title} = {numbers.last:g}: in which unit? - to leave it out", guess_unit(leaf, numbers.last) or "-"
        )
        try:
            sent = senml_unit(unit)
        except ValueError:
            continue
        name = _free(slug(title[-NAME_LETTERS:]) or "value", where)
        where[name] = Published(*leaf, unit)
        board.names[name] = Name(sent or "")
        board.names[name].values.extend((t, converted(value, unit)) for t, value in numbers.values)
    if not where:
        raise BenchdError(
            f"{heard.messages} messages and no number with a unit; let a sensor send, or look with"
            f" `benchd lines --broker {address.host}:{address.port}`"
        )
    return board, where


def _free(name: str, taken: dict[str, Published]) -> str:
    return name if name not in taken else next(n for i in range(2, 1000) if (n := f"{name}-{i}") not in taken)
