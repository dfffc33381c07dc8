"""Prints a report's numbers: in the bench's units, local time, whole where a caster reads whole."""

from __future__ import annotations

from collections.abc import Sequence
from datetime import UTC, datetime

from benchd.core.bench import Bench
from benchd.core.units import from_kpa, shown_pressure, shown_temperature
from benchd.physics.post_cure import share_of_gain
from benchd.reports.clocks import clock
from benchd.reports.records import AirRecord, Leak, LoadRecord, Part, Records

UNKNOWN = "-"
WHOLE = 0.98  # of the time asked: nobody opens an oven to the minute; common practice, no source
LABEL_TEMP_C = 23.0


def local(bench: Bench, t: float) -> datetime:
    """The wall clock at the bench."""
    return datetime.fromtimestamp(t + bench.utc_offset_s(t), UTC)


def day_of(bench: Bench, t: float) -> str:
    """The local date, "2026-01-05"."""
    return local(bench, t).strftime("%Y-%m-%d")


def hour_of(bench: Bench, t: float | None) -> str:
    """The local time of day, "14:05"; a word for unknown if t is None."""
    return UNKNOWN if t is None else local(bench, t).strftime("%H:%M")


def pressure(bench: Bench, kpa: float | None) -> str | None:
    """ "39.4 psi", one place: a record, not a glance."""
    if kpa is None:
        return None
    places = {"psi": 1, "kPa": 0, "bar": 2}[bench.pressure_unit]
    return f"{from_kpa(kpa, bench.pressure_unit):.{places}f} {bench.pressure_unit}"


def rate(bench: Bench, kpa_per_min: float) -> str:
    """ "0.67 psi a minute"."""
    places = {"psi": 2, "kPa": 1, "bar": 3}[bench.pressure_unit]
    return f"{from_kpa(kpa_per_min, bench.pressure_unit):.{places}f} {bench.pressure_unit} a minute"


def warmth(bench: Bench, c: float | None) -> str:
    """ "23 C" or "73 F": a temperature in the bench's unit; a word for unknown if c is None."""
    return UNKNOWN if c is None else shown_temperature(c, bench.temperature_unit)


def label_warmth(bench: Bench) -> str:
    """ "23 C" or "73 F": what a label's times are stated at."""
    return warmth(bench, LABEL_TEMP_C)


def air(bench: Bench, found: AirRecord) -> str:
    """ "room damp, up to 64 % RH", or what is known of the tank's air: no humidity, a tank has no probe for one."""
    if found.what == "room_damp":
        return f"room damp, up to {found.rh_pct:.0f} % RH"
    dew = found.pot_dew_point_c
    return "tank air wet" + ("" if dew is None else f", would condense in the pot below {warmth(bench, dew)}")


def span(seconds: float | None) -> str:
    """A duration as a clock shows it, "2:24"; a word for unknown if None."""
    return UNKNOWN if seconds is None else clock(seconds)


def mold_name(bench: Bench, id: str) -> str:
    """A mold's code and name; the id in capitals if the shelf doesn't have it."""
    mold = bench.mold(id)
    return id.upper() if mold is None else f"{mold.code} {mold.name}"


def mold_codes(bench: Bench, ids: Sequence[str]) -> str:
    """The codes of these molds, in order."""
    return " ".join(mold.code if (mold := bench.mold(id)) else id.upper() for id in ids) or UNKNOWN


def checks(bench: Bench, codes: Sequence[str]) -> str:
    """ "vents, M02 warm": checks by their codes, a mold's by the code on it."""
    pairs = [(what, mold) for what, _, mold in (code.partition("-") for code in codes)]
    return ", ".join(f"{mold_codes(bench, [mold])} {what}" if mold else what for what, mold in pairs)


def lot_code(bench: Bench, id: str | None) -> str:
    """A lot's code; its id in capitals if the shelf doesn't have it."""
    lot = bench.lot(id)
    return lot.code if lot else (id or UNKNOWN).upper()


def outcome(part: Part) -> str:
    """ "good", "scrap: short", "not recorded"."""
    if part.grade is None:
        return "pulled" if part.out_t is not None else "not recorded"
    return f"{part.grade}: {part.cause}" if part.cause else part.grade


def part_note(bench: Bench, part: Part) -> str:
    """What is noted of a part beside its grade: the caster's words, the name of a picture, its time in the oven."""
    picture = None if part.picture is None else f"picture {part.picture}"
    return "; ".join(said for said in (part.text, picture, _oven(bench, part)) if said)


def _oven(bench: Bench, part: Part) -> str | None:
    if part.cured_s is None or part.cured_asked_s is None or part.cured_c is None:
        return None
    at, label = f"at {warmth(bench, part.cured_c)}", bench.label_for(part.lot)
    if part.cured_s >= WHOLE * part.cured_asked_s or label is None:
        return f"oven {_hours(part.cured_s)} {at}"
    share = share_of_gain(label.pot_life_s, part.cured_c, part.cured_s, part.cured_asked_s)
    short = f"oven {_hours(part.cured_s)} of {_hours(part.cured_asked_s)} {at}"
    return f"{short}, about {5 * round(20 * share)} % of its gain in a middling resin"


def _hours(seconds: float) -> str:
    minutes = round(seconds / 60.0)
    return f"{minutes // 60}:{minutes % 60:02d} h"


def ahead(margin_s: float | None) -> str:
    """The one sentence about pressure and kick."""
    if margin_s is None:
        return "Whether pressure came before the kick is not known."
    whole = round(abs(margin_s))
    when = f"{whole} s before the kick" if margin_s >= 0 else f"{whole} s AFTER the kick"
    return f"At pressure {when}."


def leak_words(bench: Bench, leak: Leak) -> str:
    """The leak's size, its bounds, the hole it is like, and whether it mattered."""
    bounds = f"{rate(bench, leak.low).split()[0]} to {rate(bench, leak.high)}"
    matters = "it mattered" if leak.matters else "the floor was not in reach before the last gel"
    size = f"{rate(bench, leak.kpa_per_min)} at the target ({bounds}), like a {leak.hole_mm:.2f} mm hole"
    return f"{leak.verdict}, {size}; {matters}"


def hold_words(bench: Bench, load: LoadRecord) -> str | None:
    """The last verdict of the hold, in words."""
    if load.leak is not None:
        return leak_words(bench, load.leak)
    if load.verdict == "tight-to" and load.tight_kpa_min is not None:
        return f"no leak above {rate(bench, load.tight_kpa_min)}"
    if load.verdict == "no-leak-seen":
        return "no leak seen, but the inlet was not known to be shut"
    return None if load.verdict is None else "no leak could be told from cooling"


def top_ups(bench: Bench, load: LoadRecord) -> str | None:
    """The load's top-ups in words; None if there were none."""
    if not load.top_ups:
        return None
    unit = bench.pressure_unit
    told = (
        f"{hour_of(bench, t)} from {shown_pressure(a, unit)} to {shown_pressure(b, unit)}" for t, a, b in load.top_ups
    )
    return ", ".join(told)


def zero_t(records: Records, load: LoadRecord) -> float:
    """Where a load's clock starts: its first mix, else its closing."""
    return min((pour.mix_t for pour in records.of_load(load)), default=load.closed_t)
