"""What a workshop does to lines: holes, stalls, late and doubled lines, resets, other rates, a wrong clock, lost bytes.

Each is a pure function of a subject's lines, a random stream and a strength, as in value_ailments.
"""

from __future__ import annotations

from bisect import bisect_left
from collections.abc import Sequence
from dataclasses import replace

import numpy as np
from damage.lines import Body, Damaged, Record, Sent, in_order, records_of, renumbered, with_counts, written

BOOT_S = 1.5  # dark from a reset to the first line, as the boards of the rehearsal
BETWEEN_S = 30.0  # a stall each so many seconds
LATE_SHARE = 0.03  # of lines that come late
SLOW = ("room", "rh", "tank", "tankt", "press-short", "press-long", "press-double")


def _hole(body: Body, start_s: float, for_s: float) -> Damaged:
    end_s = start_s + for_s
    return Damaged(tuple(x for x in body.lines if not start_s <= x.made_s < end_s), ((start_s, end_s),))


def _about(moment_s: float | None, body: Body, rng: np.random.Generator, for_s: float) -> float:
    """Where a hole of that length begins so that the moment lies inside it."""
    moment_s = body.at.mix_s + 120.0 if moment_s is None else moment_s
    return max(body.at.mix_s + 1.0, moment_s - float(rng.uniform(0.1, 0.9)) * for_s)


def hole_at_the_kick(body: Body, rng: np.random.Generator, for_s: float) -> Damaged:
    """Nothing arrives for `for_s` about the kick (of a decoy: about two minutes after the mix)."""
    return _hole(body, _about(body.at.kick_s, body, rng, for_s), for_s)


def hole_in_the_fill(body: Body, rng: np.random.Generator, for_s: float) -> Damaged:
    """Nothing arrives for `for_s` about the moment the pot comes up to its floor."""
    return _hole(body, _about(body.at.at_floor_s, body, rng, for_s), for_s)


def hole_in_the_hold(body: Body, rng: np.random.Generator, for_s: float) -> Damaged:
    """Nothing arrives for `for_s` somewhere between pressure and the end."""
    first_s = (body.at.at_floor_s or body.at.mix_s) + 10.0
    return _hole(body, float(rng.uniform(first_s, max(first_s + 1.0, body.at.end_s - for_s))), for_s)


def hole_anywhere(body: Body, rng: np.random.Generator, for_s: float) -> Damaged:
    """Nothing arrives for `for_s` somewhere from the mix on."""
    return _hole(body, float(rng.uniform(body.at.mix_s, body.at.end_s - for_s)), for_s)


def stalls(body: Body, rng: np.random.Generator, for_s: float) -> Damaged:
    """Lines are held back for `for_s` and then come all at once: each half minute, and at the kick and in the fill.

    The spans count as holes: whoever drops such lines instead of timing them anew does no worse than with a hole.
    """
    starts = [x + float(rng.uniform(0.0, BETWEEN_S)) for x in np.arange(body.at.mix_s, body.at.end_s, BETWEEN_S)]
    starts += [_about(x, body, rng, for_s) for x in (body.at.kick_s, body.at.at_floor_s) if x is not None]

    def held(line: Sent) -> Sent:
        ends = [s + for_s for s in starts if s <= line.arrives_s < s + for_s]
        return replace(line, arrives_s=max(ends)) if ends else line

    lines, before_s = [], 0.0
    for line in body.lines:  # a queue: nothing overtakes
        before_s = max(before_s, held(line).arrives_s)
        lines.append(replace(line, arrives_s=before_s))
    return Damaged(tuple(lines), tuple((s, s + for_s) for s in sorted(starts)))


def late_lines(body: Body, rng: np.random.Generator, places: float) -> Damaged:
    """Some lines come late by 1 to `places` places, after lines that were made later."""
    lines = list(body.lines)
    for i in np.nonzero(rng.random(len(lines)) < LATE_SHARE)[0].tolist():
        behind = lines[min(i + int(rng.integers(1, int(places) + 1)), len(lines) - 1)]
        lines[i] = replace(lines[i], arrives_s=behind.made_s + 0.01)
    return Damaged(in_order(lines))


def twins(body: Body, rng: np.random.Generator, share: float) -> Damaged:
    """That share of lines comes a second time: at once, or with the next line."""
    again = [
        replace(line, arrives_s=line.arrives_s + float(rng.choice((0.005, 0.3))))
        for line in body.lines
        if rng.random() < share
    ]
    return Damaged(in_order([*body.lines, *again]))


def resets(body: Body, rng: np.random.Generator, times: float) -> Damaged:
    """The board restarts so often between mix and end, once near the kick: dark for a moment, then counts from 0.

    Not while a foot is on the switch: a press that no board was awake to count is lost to anybody.
    """
    kick_s = body.at.kick_s or body.at.mix_s + 120.0
    at = [kick_s + float(rng.uniform(-20.0, 5.0)), *rng.uniform(body.at.mix_s, body.at.end_s, round(times) - 1)]
    feet = [x.made_s for x in body.lines if '"n":"press-' in x.text and '"n":"cup"' not in x.text]
    at = [_beside(reset_s, feet) for reset_s in at]
    lines = body.lines
    for reset_s in sorted(at):
        lines = _restarted(lines, reset_s)
    return Damaged(lines, resets=len(at))


def _beside(reset_s: float, feet: Sequence[float]) -> float:
    """The reset put off until no press falls into the board's boot."""
    while any(reset_s - 0.5 <= foot_s <= reset_s + BOOT_S + 0.5 for foot_s in feet):
        reset_s += BOOT_S
    return reset_s


def _restarted(lines: Sequence[Sent], reset_s: float) -> tuple[Sent, ...]:
    before = [x for x in lines if x.made_s < reset_s]
    after = [x for x in lines if x.made_s >= reset_s + BOOT_S]
    if not before or not after:
        return tuple(lines)
    base = {"seq": next(int(r["v"]) for r in records_of(after[0].text) if r.get("n") == "seq")}
    return (*before, *(_counted_anew(line, base, reset_s) for line in after))


def _counted_anew(line: Sent, base: dict[str, int], reset_s: float) -> Sent:
    return with_counts(_pressed_anew(line, base), lambda n: n - base["seq"], lambda _: line.made_s - reset_s)


def _pressed_anew(line: Sent, base: dict[str, int]) -> Sent:
    """The line with its press counts from zero again."""
    records = records_of(line.text)
    presses = [r for r in records if str(r.get("n", "")).startswith("press-")]
    if not presses:
        return line
    out: list[Record] = []
    for record in records:
        name = str(record.get("n", ""))
        if name.startswith("press-"):
            base.setdefault(name, int(record["v"]))
            out.append(record | {"v": int(record["v"]) - base[name]})
        else:
            out.append(record)
    return replace(line, text=written(out))


def rate(body: Body, rng: np.random.Generator, hz: float) -> Damaged:
    """The board samples at `hz`: lines left out, or put between by straight lines, `seq` without gaps."""
    period_s = 1.0 / hz
    times = np.array([x.made_s for x in body.lines])
    own_s = float(np.median(np.diff(times)))
    if period_s > own_s:
        return Damaged(renumbered(_thinned(body.lines, period_s, float(rng.uniform(0.0, period_s)))), (), period_s)
    return Damaged(renumbered(in_order([*body.lines, *_between(body.lines, times, period_s)])))


def _thinned(lines: Sequence[Sent], period_s: float, first_s: float) -> list[Sent]:
    """One line a period, the slow channels' last values with it; a line of presses alone always stays."""
    out: list[Sent] = []
    due_s = first_s
    slow: dict[str, Record] = {}
    for line in lines:
        records = records_of(line.text)
        slow |= {str(r["n"]): r for r in records if r.get("n") in SLOW}
        if not any(r.get("n") in ("cup", "pot", "fault") for r in records):
            out.append(line)
        elif line.made_s >= due_s:
            fast = [r for r in records if r.get("n") not in SLOW]
            out.append(replace(line, text=written([*fast, *slow.values()])))
            slow.clear()
            due_s = max(due_s + period_s, line.made_s + 0.5 * period_s)
    return out


def _between(lines: Sequence[Sent], times: np.ndarray, period_s: float) -> list[Sent]:
    """Lines of cup and gauge halfway between, at each moment of the faster rate that no line has."""
    values = {n: [(t, r["v"]) for t, line in zip(times.tolist(), lines, strict=True)
                  for r in records_of(line.text) if r.get("n") == n] for n in ("cup", "pot", "up")}  # fmt: skip
    units = {"cup": ("Cel", 2), "pot": ("Pa", 0), "up": ("s", 3)}
    out = []
    taken = times.tolist()
    for t in np.arange(times[0], times[-1], period_s).tolist():
        near = bisect_left(taken, t - 0.4 * period_s)
        if near < len(taken) and taken[near] <= t + 0.4 * period_s:
            continue
        records: list[Record] = [{"bn": "b1-", "n": "seq", "v": 0}]
        for name, (unit, places) in units.items():
            pairs = values[name]
            v = float(np.interp(t, [p[0] for p in pairs], [p[1] for p in pairs])) if pairs else 0.0
            records.append({"n": name, "u": unit, "v": round(v, places)})
        out.append(Sent(t, t, written(records)))
    return out


def clock_slope(body: Body, rng: np.random.Generator, percent: float) -> Damaged:
    """The board's clock runs fast (or, by chance, slow) by so many percent."""
    by = 1.0 + float(rng.choice((-1.0, 1.0))) * percent / 100.0
    return Damaged(tuple(with_counts(line, lambda n: n, lambda up_s: up_s * by) for line in body.lines))


def lost_bytes(body: Body, rng: np.random.Generator, share: float) -> Damaged:
    """That share of lines loses a byte on the way, so that its checksum is wrong."""
    lines = []
    for line in body.lines:
        if rng.random() < share:
            at = int(rng.integers(len(line.text)))
            line = replace(line, text=line.text[:at] + line.text[at + 1 :])
        lines.append(line)
    return Damaged(tuple(lines))
