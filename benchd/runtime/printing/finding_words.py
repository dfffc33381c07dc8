"""Says any finding as a line for a person: in the bench's units, on its clock, without field names.

Rules.  1. Each kind of finding has one template; `{name}` is a field of the finding or of its subject, shown by what
its name ends in (`_kpa` a pressure, `_s` a span, `_at` a time); `{name:way}` shows it another way.  2. A part in
square brackets is left out where one of its fields is unknown.  3. A condition that ends says its head, the part
before the first colon, and "over".
"""

from __future__ import annotations

import re
from collections.abc import Callable, Mapping
from typing import Any

from benchd.core.bench import Bench
from benchd.core.findings import Finding
from benchd.core.model import Subject
from benchd.core.units import from_c, from_kpa, shown_temperature

Clock = Callable[[float, Subject], str]
"""A time [unix s] as this subject's clock shows it: the mix clock of its pour, else the time of day."""

TEMPLATES: Mapping[str, str] = {
    "pour_started": "pour {number} started[ for {molds}][, lot {lot}][, A {a_g}][, B {b_g}][, assumed {assumed}]",
    "pour_revised": "pour {number} revised[ for {molds}][, lot {lot}][, A {a_g}][, B {b_g}][, assumed {assumed}]",
    "mold_poured": "{mold} poured, {left} left",
    "pour_ended": "pour ended: {why}",
    "load_closed": "load {number} closed[, filling since {since}]",
    "load_opened": "load {number} opened",
    "batch_weighed": "weighed: A {a_g}, B {b_g}[, lot {lot}][, B is {ratio_error:share} by its label]",
    "cup_reacting": "{cup} heats itself: mixed about {mix_t}",
    "kick_forecast": "kick about {at} ({early} to {late}), {basis}, confidence {confidence}",
    "kicked": "kicked[ at {temp_c}], {at}, {basis}",
    "cup_steepest": "{cup} heated fastest at {at}: {rate_k_per_min} at {temp_c}",
    "working_time": "working time: {working_s} ({early_s} to {late_s}) at {temp_c}[, lot {lot}], {basis}",
    "cup_peaked": "{cup} peaked at {temp_c}, {at}",
    "cup_hot": "{cup} hot: {temp_c}",
    "kick_overdue": "kick overdue: expected by {expected_by}",
    "no_cure": "no cure seen: pour dropped",
    "cup_probe_slow": "cup probe slow: one reading every {every_s}",
    "cup_found_hot": "{cup} found hot: {temp_c}, and no mix known",
    "cup_odd": "{cup} ran {what}: {got:odd}, expected {expected:odd}",
    "label_doubtful": "{cup} unlike its label: {what}, likely {likely:span}, label {expected:span}",
    "mixed_cold": "mixed cold: {what} at {temp_c}",
    "stop_stirring": "stop stirring: {stirred_s} since the mix",
    "checks_noted": "checklist: answered {done}; skipped {skipped}",
    "prep_due": "prep due: {what}[ {mold}] for load {number}",
    "prep_noted": "prep of load {number}: done {done}",
    "prep_put_off": "prep put off: {steps}, load {number} {why}",
    "watch_handed": "watch to {who:whom}[, by {by}]",
    "watch_sure": "watch sure: a mark by {who}",
    "post_cure_due": "post-cure due: {molds}, {for_s} at {temp_c}",
    "part_to_support": "{mold} bends until it is hard: by {sag_mm}[, until {until}]",
    "oven_loaded": "oven: {molds}, {for_s} at {temp_c}, out {out_at}[, {taken_back:back}]",
    "oven_due": "out of the oven: {molds}, after {for_s} at {temp_c}",
    "part_cured": "{mold} post-cured: {for_s} of {asked_s} at {temp_c}[, {taken_back:back}]",
    "last_mold": "last mold: lid on by {lid_by}",
    "lid_now": "lid now: pressure needed by {fill_by}",
    "pressure_late": "pressure late: projected {projected_at}, kick of the {limit} at the earliest {kick_early}",
    "hold_forecast": "hold done about {at}, {basis}[, last gel about {gel_at}][, by the label {label_at}]",
    "hold_lost": "{pot} hold lost at {kpa} before gel: {molds}",
    "hold_complete": "{pot} hold complete[: never below {min_kpa}]",
    "demold_forecast": "{mold}[ green {green_at},] hard {hard_at}[, past gel {gel_at}], {basis}",
    "demold_ready": "{mold} {stage}",
    "part_pulled": "{mold} pulled {after_s} after the mix, {feel}; forecast was green {green_s}, hard {hard_s}",
    "pot_filling": "{pot} filling: {kpa}, {kpa_per_min}[, at the floor about {projected_at}]",
    "pot_not_filling": "{pot} not filling: {kpa} for {for_s}",
    "pot_at_pressure": "{pot} at pressure: {kpa}[, {margin_s:ahead}]",
    "pot_filled": "{pot} filled: {kpa}[, would settle at {settles_kpa}]",
    "pot_jet": "{pot} filling too fast: {kpa}, {kpa_per_min}",
    "pot_topped_up": "{pot} topped up: from {from_kpa} to {kpa}",
    "pot_steady": "{pot} steady at {kpa} for {for_s}",
    "load_leaked": "{pot} leaked slowly: {kpa_per_min:rate} ({low:bare} to {high:bare}), like a hole of {hole_mm}",
    "pot_isolated": "{pot} isolated since {since}, {by}",
    "pot_hold": "{pot} hold: {verdict:hold}, {kpa}[, {kpa_per_min:rate} ({low:bare} to {high:bare})]"
    "[, a leak of {smallest_seen:rate} would show][, {why}]",
    "pot_fed": "{pot} fed: every {period_s}, air on {duty:portion} of it, up to {set_kpa}, replaces {kpa_per_min:rate}",
    "pot_leaking": "{pot} leaking: {verdict}, {kpa_per_min:rate} at the target ({low:bare} to {high:bare}), "
    "like a hole of {hole_mm}[, at the floor about {floor_at}]",
    "pot_floor_ahead": "{pot} on its way to the floor: {kpa}[, there about {floor_at}][, needed until {needed_at}], "
    "chance {chance:portion}",
    "pot_below_floor": "{pot} below its floor: {kpa}, floor {limit_kpa}, {kpa_per_min}",
    "pot_over_limit": "{pot} over its limit: {kpa}, limit {limit_kpa}, {kpa_per_min}",
    "pot_over_relief": "{pot} over its relief: {kpa}, relief {limit_kpa}, {kpa_per_min}",
    "pot_creeping": "{pot} creeping up: {kpa}, target {limit_kpa}, {kpa_per_min}",
    "pot_letting_go": "{pot} letting go: {kpa}, {kpa_per_min}",
    "pot_losing": "{pot} losing pressure: {kpa}, {kpa_per_min}",
    "relief_lifted": "{pot} relief lifted at {kpa}, marked {limit_kpa}",
    "gauge_dropped": "{pot} gauge dropped: to {kpa}, {kpa_per_min}",
    "pot_venting": "{pot} venting: {kpa}, {kpa_per_min}",
    "vent_too_fast": "{pot} venting too fast: {kpa}, would be empty in {empties_s}",
    "pot_vented": "{pot} {near_zero:vented}: {kpa}[, vented in {vent_s}]",
    "room_damp": "room damp: {rh_pct}, dew point {dew_point_c}, {level}",
    "air_wet": "pot's air wet: {rh_pct} in the room[, {pot_rh_pct} at pressure][, dew point there {pot_dew_point_c}]"
    "[, about {water_mg} of water a fill], {basis}",
    "mold_wet": "{mold} below the dew point: mold {mold_c}, dew point in the {where} {dew_point_c}",
    "lots_damp": "damp for {for_s}: {rh_pct}, lots {lots} open",
    "zero_drifted": "{pot} gauge off zero: {kpa} for {for_s}",
    "port_clogged": "{pot} gauge hardly moves: {kpa}, {kpa_per_min}",
    "tap_on_hose": "{pot} gauge may be on the hose: {kpa} in {for_s}",
    "sensor_silent": "{channel} silent[: {why}]",
    "sensor_fault": "{channel} faulty[: {why}]",
    "board_gone": "{source} gone: {why}[, with it {channels}]",
    "sensor_back": "{channel} back[: {why}]",
    "watcher_failed": "watcher {watcher} failed: {why}",
    "bench_notice": "{what:notice}[{why}][ ({count})]",
}
"""Kind of finding -> its words.  A sentence is the same in `log` and in `why`."""

VERDICTS = {"tight-to": "tight", "cant-tell": "cannot tell yet", "no-leak-seen": "no leak seen"}
NOTICES = {"lines": "bad lines: ", "unchecked-lines": "no checksum: ", "gap": "gap: "}
"""What a notice is about -> how its line begins; the others' reasons begin with it themselves."""
STAGES = {"test": "ready to test", "green": "due: green", "going-hard": "going hard", "hard": "due: hard"}
CODES = ("mold", "molds", "lot", "lots")
_SLOT = re.compile(r"\{(\w+)(?::(\w+))?\}")
_PART = re.compile(r"\[([^\]]*)\]")


Names = Mapping[tuple[str, str], str]
"""("pot", id) or ("cup", id) -> what people call it; one that is not there is shown by its id."""


def names_of(bench: Bench) -> Names:
    """The names of a bench's pots and cups."""
    return {("pot", pot.id): pot.name for pot in bench.pots} | {("cup", cup.id): cup.name for cup in bench.cups}


class FindingWords:
    """Says findings in one bench's units and with its names; `clock` shows a time."""

    def __init__(self, pressure: str, temperature: str, clock: Clock, names: Names | None = None) -> None:
        self._pressure_unit, self._temperature_unit, self._clock = pressure, temperature, clock
        self._names = names or {}

    def __call__(self, finding: Finding) -> str:
        """The line for one finding."""
        template = TEMPLATES[finding.finding]
        if getattr(finding, "active", True) is False and finding.finding != "bench_notice":
            return f"{self._filled(template.partition(':')[0], finding)}: over"
        whole = _PART.sub(lambda part: self._if_known(part[1], finding), template)
        return self._filled(whole, finding).rstrip(" :,")

    def _if_known(self, part: str, finding: Finding) -> str:
        values = [_value(finding, slot[0]) for slot in _SLOT.findall(part)]
        return "" if any(value in (None, "", (), 0) for value in values) else part

    def _filled(self, text: str, finding: Finding) -> str:
        return _SLOT.sub(lambda slot: self.shown(slot[1], _value(finding, slot[1]), finding, slot[2]), text)

    def shown(self, name: str, value: Any, finding: Finding, way: str | None = None) -> str:
        """One field's value: by `way`, else by what its name ends in."""
        if way == "odd":  # cup_odd: a peak [C] if it ran hot or cool, a kick's span [s] else
            way = "temperature" if getattr(finding, "what", "") in ("hot", "cool") else "span"
        if isinstance(value, tuple) and value and isinstance(value[0], float):
            early, likely, late = (self._clock(t, finding.subject) for t in value)
            return f"about {likely} ({early} to {late})"
        if way == "back":
            return "taken back"
        if way == "notice":
            return NOTICES.get(str(value), "")
        if way == "whom":
            return str(value) or "nobody"
        if way == "vented":
            return "gauge reads near zero" if value else "vented, a part is out; the gauge last read"
        if isinstance(value, bool) or not isinstance(value, int | float):
            return self._names.get((name, str(value))) or _text(name, value)
        return self.number(name, float(value), way) or self._moment(name, value, finding)

    def _moment(self, name: str, value: float, finding: Finding) -> str:
        is_time = name in ("at", "early", "late", "since", "until", "kick_early") or name.endswith(("_at", "_by", "_t"))
        return self._clock(value, finding.subject) if is_time else f"{value:g}"

    def number(self, name: str, value: float, way: str | None = None) -> str:
        """A quantity with its unit by the ending of its name; "" for what is no quantity."""
        way = way or next((way for ending, way in ENDINGS.items() if name == ending or name.endswith(f"_{ending}")), "")
        match way:
            case "pressure":
                return self.pressure(value)
            case "rate" | "rate_s":
                return f"{self._rate(value if way == 'rate' else 60.0 * value)} {self._pressure_unit} a minute"
            case "bare":
                return self._rate(value)
            case "temperature":
                return self._temperature(name, value)
            case "step":
                return f"{self._step(value):.2g} {self._temperature_unit}"
            case "heating":
                return f"{self._step(value):.0f} {self._temperature_unit} a minute"
        return _plain_number(way, value)

    def pressure(self, kpa: float) -> str:
        """A pressure with one place more than a glance needs: "39.4 psi"."""
        places = {"psi": 1, "kPa": 0, "bar": 2}[self._pressure_unit]
        return f"{from_kpa(kpa, self._pressure_unit) + 0.0:.{places}f} {self._pressure_unit}"

    def _rate(self, kpa_per_min: float) -> str:
        value = from_kpa(kpa_per_min, self._pressure_unit)
        places = 0 if abs(value) >= 20 else 1 if abs(value) >= 2 else 2
        return f"{value + 0.0:.{places}f}"

    def _temperature(self, name: str, c: float) -> str:
        if name == "temp_c" and c >= 40.0:
            return shown_temperature(c, self._temperature_unit)
        return f"{from_c(c, self._temperature_unit):.1f} {self._temperature_unit}"

    def _step(self, kelvin: float) -> float:
        return kelvin * (1.8 if self._temperature_unit == "F" else 1.0)


ENDINGS: Mapping[str, str] = {
    "kpa_per_min": "rate", "kpa_min": "rate", "kpa_s": "rate_s", "kpa": "pressure", "k_per_min": "heating",
    "c": "temperature", "k": "step", "pct": "percent", "s": "span", "mm": "mm", "mg": "mg", "ml": "ml", "g": "g",
}  # fmt: skip
"""A name's ending -> how its number is shown; the longest come first."""


def _value(finding: Finding, name: str) -> Any:
    return getattr(finding if hasattr(finding, name) else finding.subject, name)


def _text(name: str, value: Any) -> str:
    if isinstance(value, tuple | list):
        return ", ".join(_text(name, one) for one in value)
    if value is None:
        return "?"
    if name == "verdict":
        return VERDICTS.get(value, str(value))
    if name == "stage":
        return STAGES.get(value, str(value))
    return str(value).upper() if name in CODES else str(value).replace("_", " ")


def _plain_number(way: str, value: float) -> str:
    match way:
        case "span":
            return span(value)
        case "ahead":
            return f"{abs(value):.0f} s {'before' if value >= 0 else 'after'} the kick"
        case "share":
            return f"{abs(100.0 * value):.0f} % too {'much' if value > 0 else 'little'}"
        case "portion":
            return f"{100.0 * value:.0f} %"
        case "percent":
            return f"{value:.0f} %"
        case "mm":
            return f"{value:.2f} mm"
        case "g":
            return f"{value:.1f} g"
        case "mg" | "ml":
            return f"{float(f'{value:.2g}'):g} {way}"  # two digits, never a power of ten
    return ""


def span(seconds: float) -> str:
    """A duration: "46 s", "13:48" (minutes and seconds), "2 h 05 min"."""
    whole = round(abs(seconds))
    if whole < 120:
        return f"{seconds:.0f} s"
    sign = "-" if seconds < 0 else ""
    if whole < 7200:
        return f"{sign}{whole // 60}:{whole % 60:02d}"
    return f"{sign}{whole // 3600} h {whole % 3600 // 60:02d} min"
