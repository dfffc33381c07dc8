"""Are the drawn wirings those of the boards' code and of their tables, with dividers that fit their converters?"""

from __future__ import annotations

import re
import shutil
import sys
import xml.etree.ElementTree as ET
from pathlib import Path

import pytest
from firmware.board_runs import BOARDS

sys.path.insert(0, str(BOARDS))
import wiring

PIN = re.compile(r"\b(?:GPIO\d+|GP\d+|D\d+|A\d)\b")
SERIAL = {"D0", "D1"}  # in the table of the board in C alone: nothing is wired to them
LETTER = 0.62  # a letter's width of its height, at most, in the fonts browsers take for sans-serif (from memory)
NAMES = [drawing.folder for drawing in wiring.DRAWINGS]
SVG = "{http://www.w3.org/2000/svg}"


def of(folder: str) -> wiring.Drawing:
    return next(drawing for drawing in wiring.DRAWINGS if drawing.folder == folder)


def texts(folder: str) -> list[ET.Element]:
    return list(ET.parse(BOARDS / folder / "wiring.svg").getroot().iter(f"{SVG}text"))


def words(folder: str) -> str:
    return "\n".join(text.text or "" for text in texts(folder))


@pytest.mark.parametrize("folder", NAMES)
def test_the_drawing_is_that_of_the_code(folder: str) -> None:
    """`python firmware_examples/wiring.py` draws them again."""
    assert (BOARDS / folder / "wiring.svg").read_text("utf-8") == wiring.svg(of(folder))


@pytest.mark.parametrize("folder", NAMES)
def test_the_drawing_has_the_pins_and_the_resistors_of_the_readmes_table(folder: str) -> None:
    """Written by hand, pin by pin: the other witness beside the code."""
    readme = (BOARDS / folder / "README.md").read_text("utf-8")
    assert 'src="wiring.svg"' in readme
    after = readme.partition('<img src="wiring.svg"')[2].partition("\n## ")[0]
    table = "\n".join(line for line in after.splitlines() if line.startswith("|"))
    pins = set(PIN.findall(table)) - SERIAL
    assert len(pins) >= 8
    assert set(PIN.findall(words(folder))) == pins
    if of(folder).parts is not wiring.on_5_volts:
        for piece in re.findall(r"\d+ kohm", words(folder)):
            assert piece in table, piece


@pytest.mark.parametrize("folder", NAMES)
def test_every_word_is_within_the_drawing(folder: str) -> None:
    for text in texts(folder):
        x, size, wide = float(text.get("x", 0)), float(text.get("font-size", 0)), len(text.text or "") * LETTER
        left = {"start": x, "middle": x - size * wide / 2, "end": x - size * wide}[text.get("text-anchor", "start")]
        assert left >= 0, text.text
        assert left + size * wide <= wiring.WIDTH, text.text


@pytest.mark.parametrize(
    ("folder", "straight_to_v"),
    [("micropython", 3.3), ("circuitpython", 3.3), ("micropython_esp32", 2.45)],
)
def test_the_dividers_fit_their_converters(folder: str, straight_to_v: float) -> None:
    """RP2040 datasheet, 4.9: 0 to 3.3 V.  MicroPython's "Quick reference for the ESP32": 150 to 2,450 mV at 11 dB.

    5.25 V, the most of a USB port (USB 2.0, 7.2.2), must be below the top; 0.5 V, no pressure, above the bottom.
    """
    told = words(folder)
    (series,) = set(re.findall(r"^(\d+) kohm$", told, re.MULTILINE))
    (shunt,) = set(re.findall(r"^(\d+) kohm, 100 nF to GND$", told, re.MULTILINE))
    share = int(shunt) / (int(series) + int(shunt))
    assert 5.25 * share < straight_to_v
    assert 5.0 * share > 0.75 * straight_to_v  # else bench_board says "supply low"
    assert 0.5 * share > (0.15 if straight_to_v < 3.0 else 0.0)


@pytest.mark.parametrize(
    ("file", "old", "new", "folder", "pin"),
    [
        ("lib/machine_pins.py", "SUPPLY_PIN = 26, 27", "SUPPLY_PIN = 28, 27", "micropython", "GP28"),
        ("lib/esp32_pins.py", "SWITCH_PIN = const(26)", "SWITCH_PIN = const(33)", "micropython_esp32", "GPIO33"),
        ("circuitpython/code.py", "board.GP15", "board.GP14", "circuitpython", "GP14"),
        ("avr_c/board.h", "#define LAMP_PIN PB0", "#define LAMP_PIN PB1", "avr_c", "D9"),
        ("arduino/arduino.ino", "LAMP_PIN = 8;", "LAMP_PIN = 7;", "arduino", "D7"),
    ],
)  # fmt: skip
def test_a_pin_changed_in_the_code_changes_the_drawing(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, file: str, old: str, new: str, folder: str, pin: str
) -> None:
    shutil.copytree(BOARDS, tmp_path / "boards", ignore=shutil.ignore_patterns("build"))
    path = tmp_path / "boards" / file
    text = path.read_text("utf-8")
    assert old in text
    path.write_text(text.replace(old, new), "utf-8")
    assert pin not in PIN.findall(words(folder))
    monkeypatch.setattr(wiring, "HERE", tmp_path / "boards")
    assert pin in PIN.findall(wiring.svg(of(folder)))
