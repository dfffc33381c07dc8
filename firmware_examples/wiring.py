"""Draws each board's wiring as SVG, its pins read out of the board's own code: python firmware_examples/wiring.py

One row a wire: the board at the left, what hangs on it at the right, and what lies in the wire between.  The pins are
never typed here: a changed pin in the code changes the drawing, and `tests/firmware/test_wiring.py` fails until it is
drawn again.  What each part is called stands in the README.md beside the drawing.
"""

from __future__ import annotations

import ast
import re
from collections.abc import Callable, Mapping
from dataclasses import dataclass
from html import escape
from pathlib import Path

HERE = Path(__file__).parent
ROW, GAP, WIDTH, LEFT, RIGHT, MARGIN = 28, 14, 880, 170, 500, 24
BOARD_W, PART_W = 130, 356
INK, PAPER, FAINT = "#1d2329", "#ffffff", "#eef1f4"
COLOURS = {"power": "#c0392b", "ground": "#1d2329", "amplifier": "#1f6fb2", "air": "#2a8a4a", "gauge": "#b8860b",
           "foot": "#7d3c98", "signal": "#b0457a"}  # fmt: skip

Pins = Mapping[str, str]
"""What a pin does -> what is printed beside it on the board."""


@dataclass(frozen=True)
class Wire:
    """One row: a part's terminal, the pin it goes to, and what lies in between."""

    terminal: str
    pin: str
    colour: str
    in_line: str = ""
    to_ground: str = ""


@dataclass(frozen=True)
class Part:
    """One thing on the bench and its wires, top to bottom."""

    name: str
    note: str
    wires: tuple[Wire, ...]


@dataclass(frozen=True)
class Drawing:
    """A board's folder, its name, and how its parts follow from its pins."""

    folder: str
    board: str
    pins: Callable[[], Pins]
    parts: Callable[[Pins], tuple[Part, ...]]


# ------------------------------------------------------------------------------------------ pins, out of the code


def constants(path: Path) -> Mapping[str, object]:
    """The numbers a MicroPython module gives names to, also by `const` and in tuples."""
    found: dict[str, object] = {}
    for node in ast.parse(path.read_text("utf-8")).body:
        if not isinstance(node, ast.Assign):
            continue
        (target,) = node.targets
        value = node.value.args[0] if isinstance(node.value, ast.Call) else node.value
        names = target.elts if isinstance(target, ast.Tuple) else [target]
        values = value.elts if isinstance(value, ast.Tuple) and isinstance(target, ast.Tuple) else [value]
        for name, each in zip(names, values, strict=True):
            if isinstance(name, ast.Name) and isinstance(each, ast.Constant):
                found[name.id] = each.value
    return found


def of_micropython(file: str, prefix: str) -> Pins:
    """The pins of a MicroPython board's own module."""
    named = constants(HERE / "lib" / file)
    roles = {"sck": "SCK_PIN", "miso": "MISO_PIN", "cs": "SELECT_PIN", "sda": "SDA_PIN", "scl": "SCL_PIN",
             "signal": "SIGNAL_PIN", "supply": "SUPPLY_PIN", "foot": "SWITCH_PIN"}  # fmt: skip
    return {role: f"{prefix}{named[name]}" for role, name in roles.items()}


def of_circuitpython() -> Pins:
    """The pins of the CircuitPython board, by the names its `board` module gives them."""
    text = (HERE / "circuitpython" / "code.py").read_text("utf-8")
    patterns = {
        "sck": r"SPI\(board\.(GP\d+)", "miso": r"MISO=board\.(GP\d+)", "scl": r"I2C\(board\.(GP\d+)",
        "sda": r"I2C\(board\.GP\d+, board\.(GP\d+)", "foot": r"_switch = digitalio\.DigitalInOut\(board\.(GP\d+)",
        "cs": r"_select = digitalio\.DigitalInOut\(board\.(GP\d+)",
        "signal": r"_signal = analogio\.AnalogIn\(board\.(GP\d+)",
        "supply": r"_supply = analogio\.AnalogIn\(board\.(GP\d+)",
    }  # fmt: skip
    return {role: _one(pattern, text) for role, pattern in patterns.items()}


def of_avr_c() -> Pins:
    """The pins of the board in C, as its chip and as common boards call them; SPI is where the chip has it."""
    text = (HERE / "avr_c" / "board.h").read_text("utf-8")
    names = {"foot": "FOOT_PIN", "buzzer": "BUZZER_PIN", "lamp": "LAMP_PIN", "cs": "THERMO_CS_PIN",
             "sck": "THERMO_SCK_PIN", "sda": "SDA_PIN", "scl": "SCL_PIN"}  # fmt: skip
    found = {role: _one(rf"#define {name} (P[BCD]\d)", text) for role, name in names.items()}
    found |= {"miso": "PB4", "signal": "PC" + _one(r"#define PRESSURE_MUX (\d)", text)}
    return {role: f"{printed(pin)} ({pin})" for role, pin in found.items()}


def printed(pin: str) -> str:
    """What common boards with an ATmega328P print beside a pin of the chip: PB2 -> D10, PC0 -> A0."""
    port, number = pin[1], int(pin[2])
    return f"A{number}" if port == "C" else f"D{number + (8 if port == 'B' else 0)}"


def of_arduino() -> Pins:
    """The pins of the sketch; SPI and Wire are the core's own."""
    text = (HERE / "arduino" / "arduino.ino").read_text("utf-8")
    names = {"foot": "FOOT_PIN", "buzzer": "BUZZER_PIN", "lamp": "LAMP_PIN", "cs": "THERMO_CS_PIN"}
    found = {role: "D" + _one(rf"{name} = (\d+);", text) for role, name in names.items()}
    mux = _one(r"PRESSURE_MUX = (\d);", text)
    sck, miso = re.search(r"SCK on (\d+), SO on (\d+)", text).groups()  # type: ignore[union-attr]
    sda, scl = re.search(r"SDA on (A\d), SCL on (A\d)", text).groups()  # type: ignore[union-attr]
    return found | {"signal": f"A{mux}", "sck": f"D{sck}", "miso": f"D{miso}", "sda": sda, "scl": scl}


def _one(pattern: str, text: str) -> str:
    found = re.findall(pattern, text)
    if len(set(found)) != 1:
        raise SystemExit(f"{pattern}: found {found or 'nothing'}, where the code should name one pin")
    return str(found[0])


# ------------------------------------------------------------------------------------------------------ the parts


def _cup_and_room(pins: Pins, power: str) -> tuple[Part, Part]:
    """The thermocouple's amplifier and the humidity sensor."""
    supply, ground = Wire("VIN", power, "power"), Wire("GND", "GND", "ground")
    cup = (supply, ground, Wire("CLK", pins["sck"], "amplifier"), Wire("DO", pins["miso"], "amplifier"),
           Wire("CS", pins["cs"], "amplifier"))  # fmt: skip
    room = (supply, ground, Wire("SDA", pins["sda"], "air"), Wire("SCL", pins["scl"], "air"))
    return (
        Part("Thermocouple amplifier", "MAX31855; its wire into the cup", cup),
        Part("Humidity sensor", "SHT31, address 0x44", room),
    )


def _foot(pins: Pins) -> Part:
    wires = (Wire("either", pins["foot"], "foot"), Wire("other", "GND", "ground"))
    return Part("Foot switch", "a closing contact, never mains", wires)


def on_3_volts(power: str, series: str, shunt: str) -> Callable[[Pins], tuple[Part, ...]]:
    """A chip of 3.3 V: two dividers bring the gauge's signal and its supply down."""

    def parts(pins: Pins) -> tuple[Part, ...]:
        gauge = (
            Wire("+", power, "power"), Wire("-", "GND", "ground"),
            Wire("signal", pins["signal"], "gauge", series, shunt),
            Wire("+, measured", pins["supply"], "gauge", series, shunt),
        )  # fmt: skip
        part = Part("Pressure transducer", "0.5-4.5 V, gauge, in the pot's own lid", gauge)
        return (*_cup_and_room(pins, "3V3"), part, _foot(pins))

    return parts


def on_5_volts(pins: Pins) -> tuple[Part, ...]:
    """A chip of 5 V: the gauge is fed from the pin that its converter takes as its reference."""
    gauge = (Wire("+", "5V", "power"), Wire("-", "GND", "ground"),
             Wire("signal", pins["signal"], "gauge", "1 kohm", "100 nF"))  # fmt: skip
    lamp = (Wire("long leg", pins["lamp"], "signal", "330 ohm"), Wire("short leg", "GND", "ground"))
    buzzer = (Wire("either", pins["buzzer"], "signal", "1 kohm"), Wire("other", "GND", "ground"))
    return (
        *_cup_and_room(pins, "5V"),
        Part("Pressure transducer", "0.5-4.5 V, gauge, in the pot's own lid", gauge),
        _foot(pins),
        Part("Lamp", "an LED, 20 mA at most", lamp),
        Part("Buzzer", "passive, piezo", buzzer),
    )


DRAWINGS = (
    Drawing("avr_c", "ATmega328P, 5 V", of_avr_c, on_5_volts),
    Drawing("arduino", "ATmega328P, 5 V", of_arduino, on_5_volts),
    Drawing("micropython", "RP2040 or RP2350", lambda: of_micropython("machine_pins.py", "GP"),
            on_3_volts("VBUS", "10 kohm", "15 kohm, 100 nF")),
    Drawing("circuitpython", "RP2040 or RP2350", of_circuitpython, on_3_volts("VBUS", "10 kohm", "15 kohm, 100 nF")),
    Drawing("micropython_esp32", "ESP32", lambda: of_micropython("esp32_pins.py", "GPIO"),
            on_3_volts("5V", "15 kohm", "10 kohm, 100 nF")),
)  # fmt: skip


# ---------------------------------------------------------------------------------------------------- the drawing


def svg(drawing: Drawing) -> str:
    """The wiring of one board as an SVG of its own."""
    parts = drawing.parts(drawing.pins())
    top = MARGIN + 26
    bottom = top + sum(_tall(part) + GAP for part in parts)
    height = bottom + MARGIN - GAP
    shapes = [
        f'<rect width="{WIDTH}" height="{height}" fill="{PAPER}"/>',
        _text(MARGIN, MARGIN + 8, f"Wiring: {drawing.board}", size=17, weight="600"),
        _box(LEFT - BOARD_W, top, BOARD_W, bottom - GAP - top, "#dfe7ee"),
    ]
    y = top
    for part in parts:
        tall = _tall(part)
        shapes.append(_box(RIGHT, y, PART_W, tall, FAINT))
        shapes.append(_text(RIGHT + 104, y + tall / 2 - 4, part.name, size=14, weight="600"))
        shapes.append(_text(RIGHT + 104, y + tall / 2 + 15, part.note, size=11))
        row_y = y - 4
        for wire in part.wires:
            row_y += _room(wire)
            shapes += _wire(wire, row_y)
        y += tall + GAP
    head = f'<svg xmlns="http://www.w3.org/2000/svg" viewBox="0 0 {WIDTH} {height}" width="{WIDTH}" height="{height}"'
    title = f"<title>{escape(drawing.board)}: which pin goes where</title>"
    return f'{head} font-family="sans-serif" role="img">\n{title}\n' + "\n".join(shapes) + "\n</svg>\n"


def _room(wire: Wire) -> int:
    """How far below the row above a row lies: what goes to ground is drawn over it."""
    return ROW + (18 if wire.to_ground else 0)


def _tall(part: Part) -> int:
    return sum(map(_room, part.wires)) + 18


def _wire(wire: Wire, y: float) -> list[str]:
    """A row: the pin, the wire, what lies in it, what goes from it to ground, the terminal."""
    colour = COLOURS[wire.colour]
    shapes = [
        f'<path d="M{LEFT} {y}H{RIGHT}" stroke="{colour}" stroke-width="2.5" fill="none"/>',
        f'<circle cx="{LEFT}" cy="{y}" r="4" fill="{colour}"/>',
        f'<circle cx="{RIGHT}" cy="{y}" r="4" fill="{colour}"/>',
        _text(LEFT - 10, y + 5, wire.pin, size=14, anchor="end", weight="600"),
        _text(RIGHT + 10, y + 5, wire.terminal, size=13),
    ]
    if wire.in_line:
        shapes += _piece(395, y, wire.in_line, colour)
    if wire.to_ground:
        shapes += [f'<circle cx="358" cy="{y}" r="4" fill="{colour}"/>', *_shunt(y, wire.to_ground)]
    return shapes


def _piece(x: float, y: float, text: str, colour: str) -> list[str]:
    """Something in the wire."""
    drawn = f'rx="4" fill="{PAPER}" stroke="{colour}" stroke-width="1.5"'
    return [
        f'<rect x="{x}" y="{y - 10}" width="78" height="20" {drawn}/>',
        _text(x + 39, y + 4, text, size=12, anchor="middle"),
    ]


def _shunt(y: float, text: str) -> list[str]:
    """Something from the wire to ground, drawn above it."""
    return [
        f'<path d="M358 {y}V{y - 15}H343" stroke="{INK}" stroke-width="1.5" fill="none"/>',
        f'<rect x="193" y="{y - 25}" width="150" height="19" rx="4" fill="{PAPER}" stroke="{INK}"/>',
        _text(268, y - 11, f"{text} to GND", size=11, anchor="middle"),
    ]


def _box(x: float, y: float, width: float, height: float, fill: str) -> str:
    return f'<rect x="{x}" y="{y}" width="{width}" height="{height}" rx="8" fill="{fill}" stroke="{INK}"/>'


def _text(x: float, y: float, text: str, size: int, anchor: str = "start", weight: str = "400") -> str:
    place = f'x="{x:g}" y="{y:g}" font-size="{size}" text-anchor="{anchor}" font-weight="{weight}"'
    return f'<text {place} fill="{INK}">{escape(text)}</text>'


def main() -> None:
    """Write each board's wiring.svg."""
    for drawing in DRAWINGS:
        (HERE / drawing.folder / "wiring.svg").write_text(svg(drawing), "utf-8")


if __name__ == "__main__":
    main()
