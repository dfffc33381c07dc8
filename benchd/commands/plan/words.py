"""Formats a run sheet for the bench, in plain words, load by load."""

from __future__ import annotations

import time
from datetime import datetime
from zoneinfo import ZoneInfo

from benchd.shelf.plan.sheet import PlannedLoad, Sheet

BASES = {"measured": "measured", "typed": "as typed", "label": "taken from the label; give --temp"}
KICK_BASES = {
    "label": "by the label",
    "typed": "by this lot's own time",
    "learned": "as learned of this lot",
    "drift": "by this lot's kicks as it ages",
}


def lines_of(sheet: Sheet | None, zone: str | None, is_kept: bool) -> list[str]:
    """The sheet as printed lines; times in the zone, else this machine's."""
    if sheet is None:
        return ["No day is kept.  Plan one: benchd plan M01 M02 --keep"]
    lot = f", lot {sheet.lot.upper()}" if sheet.lot else ""
    basis = BASES.get(sheet.temp_basis, "")
    out = [f"{sheet.resin}{lot}, room {sheet.temp_c:.1f} C ({basis})"]
    if sheet.why != "planned":
        out.append(f"Planned anew: {sheet.why}.")
    for load in sheet.loads:
        out += ["", *_load_lines(load, zone, len({each.lot for each in sheet.loads}) > 1)]
    if sheet.left_out:
        out += ["", "Left out:"]
        out += [f"  {each.code} {each.name} dropped: {each.why}" for each in sheet.left_out]
    if sheet.notes:
        out += ["", "Mind:", *(f"  {note}" for note in sheet.notes)]
    if not sheet.optimal:
        out += ["", f"The best found in the time; no plan of these has fewer than {sheet.loads_at_least} loads."]
    out += ["", f'"{sheet.say}"']
    if is_kept and any(load.pour is None for load in sheet.loads):
        out.append("Kept: the next mix that names no molds takes the next load.")
    return out


def _load_lines(load: PlannedLoad, zone: str | None, many_lots: bool) -> list[str]:
    codes = " ".join(mold.code for mold in load.molds)
    state = {"mixed": "mixed", "next": "next", "waiting": ""}[load.state]
    head = f"Load {load.number}{f' ({state})' if state else ''}, {load.pot}, {_local(load.mix_t, zone)}: {codes}"
    small = "  (small: hard to proportion)" if load.small else ""
    lot = f" of {load.lot.upper()}" if load.lot and many_lots else ""
    grams = f"  mix     {load.batch_g:.0f} g{lot}: A {load.a_g:.1f}, B {load.b_g:.1f}{small}"
    pours = " + ".join(f"{mold.pour_s:.0f}" for mold in load.molds)
    clock = (
        f"  clock   mix {load.mix_s:.0f}, pours {pours}, lid {load.lid_s:.0f}, fill {load.fill_s:.0f}: "
        f"at pressure {_clock(load.at_pressure_s)}"
    )
    first = "" if load.kick_of == "cup" else f" ({load.kick_of}, still warm, before the cup)"
    kick = (
        f"  kick    {_clock(load.kick_s)}{first}, {KICK_BASES[load.kick_basis]}, "
        f"not before {_clock(load.kick_early_s)}: {load.margin_s:.0f} s to spare"
    )
    warm = [f"{mold.code} at {mold.warm_c:.0f} C" for mold in load.molds if mold.warm_c is not None]
    hold = f"  hold    to {_local(load.hold_until_t, zone)}, open {_local(load.open_t, zone)}"
    due = ", ".join(
        f"{mold.code} {_local(mold.due_t, zone)} {mold.pull}"
        for mold in sorted(load.molds, key=lambda mold: mold.due_t)
    )
    lines = [head, grams, clock, kick, hold, f"  due     {due}"]
    lines += [f"  warm    {', '.join(warm)}"] if warm else []
    return [*lines, *_prep_lines(load, zone)] if load.state != "mixed" else lines


STEPS = {"weigh": "weigh A and B", "tank": "drain the tank", "dry": "dry", "spray": "release spray on", "talc": "talc",
         "warm": "warm"}  # fmt: skip


def _prep_lines(load: PlannedLoad, zone: str | None) -> list[str]:
    """What is to be done before its mix, and when, three steps a line."""
    parts: list[str] = []
    for step in load.steps:
        what = " ".join(word for word in (STEPS[step.what], step.code) if word)
        long = f" ({step.for_s / 60.0:.0f} min)" if step.for_s else ""
        warm = f" to {step.temp_c:.0f} C" if step.temp_c is not None else ""
        parts.append(f"{_local(step.t, zone)} {what}{warm}{long}{', done' if step.done else ''}")
    lines = [f"  prep    {'; '.join(parts[i : i + 3])}" for i in range(0, len(parts), 3)]
    late = f"  prep    takes {load.prep_late_s / 60.0:.0f} min longer than this wait: begin before, or mix later"
    return [*lines, late] if load.prep_late_s >= 30.0 else lines


def _clock(seconds: float) -> str:
    whole = int(seconds + 0.5)
    return f"{whole // 60}:{whole % 60:02d}"


def _local(t: float, zone: str | None) -> str:
    if zone is None:
        return time.strftime("%H:%M", time.localtime(t))
    return datetime.fromtimestamp(t, ZoneInfo(zone)).strftime("%H:%M")
