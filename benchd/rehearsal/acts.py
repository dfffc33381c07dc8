"""The table of what the caster (and fate) can do in a scenario, and what each act needs.

Each act of a script: `at` (seconds after the first mix, or "m:ss", may be negative), `do`, its own keys, and `way`: how
the caster reports it to the watch ("typed", "switch" or not at all), `after_s` late.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any


@dataclass(frozen=True, slots=True, kw_only=True)
class Act:
    """One act; only the keys its kind knows are filled.  at_s: seconds after the scenario's zero (the first mix)."""

    at_s: float
    do: str
    way: str = ""
    after_s: float = 0.0
    cup: str = ""
    pot: str = ""
    lot: str = ""
    mold: str = ""
    molds: tuple[str, ...] = ()
    a_g: float | None = None
    b_g: float | None = None
    resin_c: float | None = None
    mold_c: float | None = None
    mix_s: float = 30.0
    hole_mm: float | None = None
    psi: float | None = None
    for_s: float | None = None
    over_s: float = 1.0
    temp_c: float | None = None
    rh_pct: float | None = None
    feel: str = ""
    grade: str = ""
    cause: str = ""
    verb: str = ""
    press: str = "short"
    text: str = ""
    code: str = ""


@dataclass(frozen=True, slots=True)
class ActKind:
    """needs, may: keys besides at, do, way and after_s.  verb: the mark that can tell it; press: its switch press."""

    needs: tuple[str, ...] = ()
    may: tuple[str, ...] = ()
    verb: str = ""
    press: str = ""
    says: str = ""


ACTS: dict[str, ActKind] = {
    "mix": ActKind(
        ("cup", "lot", "a_g", "b_g"),
        ("pot", "molds", "resin_c", "mold_c", "mix_s"),
        "mix",
        "short",
        "A meets B, now; mix_s of stirring follow",
    ),
    "witness": ActKind((), (), says="the witness cup is filled from the mixed cup"),
    "pour": ActKind(("mold",), (), "poured", "long", "that mold is full"),
    "lid": ActKind((), (), says="the pot is closed over all molds poured so far"),
    "inlet_open": ActKind((), ("hole_mm",), says="air on"),
    "inlet_shut": ActKind((), ("pot",), "shut", "", "air off at the pot"),
    "topup": ActKind(
        (), ("pot", "psi", "hole_mm"), "topup", "", "air on again until psi (default the target), then off"
    ),
    "bleed_open": ActKind((), ("hole_mm", "over_s"), says="the bleed is opened over over_s"),
    "bleed_shut": ActKind(says="the bleed is shut"),
    "lid_off": ActKind(says="the pot is opened"),
    "demold": ActKind(
        ("mold",), ("feel", "grade", "cause"), "demolded", "", "the part comes out; feel is what is true"
    ),
    "hose_off": ActKind(says="the hose is pulled off behind the regulator"),
    "hose_on": ActKind(says="the hose is put back"),
    "regulator": ActKind(("psi",), (), says="the regulator is set, or runs away, to psi"),
    "leak": ActKind(("hole_mm",), (), says="from here the pot leaks like a round hole"),
    "tank_dump": ActKind((), ("pot",), "dumped", "", "tank cooled, dumped, refilled"),
    "tank_warm": ActKind(
        ("temp_c",), (), says="the tank's air is that warm: sun on it, or a long run of its compressor"
    ),
    "compressor_off": ActKind(says="the compressor is switched off"),
    "compressor_on": ActKind(says="the compressor is switched on"),
    "room": ActKind((), ("temp_c", "rh_pct", "over_s"), says="the room drifts there over over_s"),
    "probe_lift": ActKind(("cup",), (), says="the probe leaves the cup"),
    "probe_back": ActKind(("cup",), (), says="the probe is put back"),
    "probe_open": ActKind(("cup",), (), says="the thermocouple breaks: the board reports cup open"),
    "probe_mend": ActKind(("cup",), (), says="the thermocouple has contact again"),
    "clog": ActKind((), (), says="the gauge's port clogs: it keeps what it reads"),
    "press": ActKind((), ("press",), says="the foot switch: short, long or double"),
    "mark": ActKind(
        ("verb",),
        ("cup", "pot", "mold", "code", "text", "feel", "grade", "cause", "molds", "lot", "a_g", "b_g", "mold_c"),
        says="a mark typed by itself",
    ),
    "board_drop": ActKind(("for_s",), (), says="lines are lost on the way"),
    "board_garbage": ActKind(("for_s",), (), says="bytes are damaged on the way"),
    "board_reset": ActKind(says="the board restarts: banner, seq and up from zero"),
    "board_silent": ActKind(("for_s",), (), says="the board says nothing"),
    "board_unplug": ActKind(("for_s",), (), says="the port disappears"),
}
COMMON_KEYS = ("at", "do", "way", "after_s")
WAYS = ("", "typed", "switch")
PRESSES = ("short", "long", "double")


def way_fits(do: str, way: str) -> bool:
    """True if this act can be reported this way."""
    kind = ACTS[do]
    if way == "typed":
        return bool(kind.verb)
    return bool(kind.press) if way == "switch" else way == ""


def typed_mark(act: Act, feel: str = "") -> dict[str, Any]:
    """The mark that reports this act when typed, in the outer form, without its time; feel fills a missing feel."""
    verb = act.verb or ACTS[act.do].verb
    keys: dict[str, Any] = {"verb": verb}
    for name in ("cup", "pot", "lot", "mold", "code", "text", "grade", "cause"):
        if value := getattr(act, name):
            keys[name] = value
    if verb == "mix" or act.do == "mark":
        keys |= {"molds": list(act.molds)} if act.molds else {}
        weights = {"a_g": act.a_g, "b_g": act.b_g, "mold_c": act.mold_c}
        keys |= {name: value for name, value in weights.items() if value is not None}
    if told := act.feel or feel:
        keys["feel"] = told
    return keys
