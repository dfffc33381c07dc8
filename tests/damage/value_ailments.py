"""What a workshop does to values: bursts, spikes, open circuits, steps, coarse codes, noise; each a pure function.

Every one takes a subject's lines, a random stream and a strength, and gives the lines that arrive.  The same stream
gives the same damage.  Kinds and strengths are those the project asks to withstand; how often each strikes is invented.
"""

from __future__ import annotations

import numpy as np
from damage.lines import PA_PER_PSI, Body, Change, Damaged, Sent, changed

BURST_MOST_C = 60.0
EVERY_S = 30.0  # on average, between bursts, spikes of a gauge and the like


def _moments(body: Body, rng: np.random.Generator, every_s: float) -> list[float]:
    """Moments from the mix to the end, as many as fit at one each `every_s`, anywhere."""
    return sorted(rng.uniform(body.at.mix_s, body.at.end_s, max(2, round(body.at.end_s / every_s))).tolist())


def _each(body: Body, name: str, change: dict[int, Change]) -> Damaged:
    return Damaged(tuple(changed(x, name, change[i]) if i in change else x for i, x in enumerate(body.lines)))


def _all(body: Body, name: str, change: Change) -> Damaged:
    return Damaged(tuple(changed(line, name, change) for line in body.lines))


def _plus(by: float) -> Change:
    return lambda value: value + by


def _sign(rng: np.random.Generator) -> float:
    return float(rng.choice((-1.0, 1.0)))


def bursts(body: Body, rng: np.random.Generator, longest_s: float) -> Damaged:
    """A compressor's bursts on the cup: 0.3 s to `longest_s`, 10 to 60 C of either sign, each reading another."""
    change: dict[int, Change] = {}
    for start_s in [*_moments(body, rng, EVERY_S), *_near_kick(body, rng, longest_s)]:
        end_s = start_s + float(rng.uniform(0.3, longest_s))
        by_c, is_ragged = _sign(rng) * float(rng.uniform(10.0, BURST_MOST_C)), rng.random() < 0.5
        for i, line in enumerate(body.lines):
            if start_s <= line.made_s < end_s:
                change[i] = _plus(by_c * (float(rng.uniform(0.2, 1.0)) if is_ragged else 1.0))
    return _each(body, "cup", change)


def _near_kick(body: Body, rng: np.random.Generator, longest_s: float) -> list[float]:
    kick_s = body.at.kick_s
    return [] if kick_s is None else [kick_s + float(rng.uniform(-10.0, 5.0)) - longest_s / 2.0]


def spikes(body: Body, rng: np.random.Generator, per_minute: float) -> Damaged:
    """Single readings of the cup off by 5 to 60 C, so many a minute."""
    change = {}
    for i, line in enumerate(body.lines):
        gap_s = line.made_s - body.lines[i - 1].made_s if i else 0.0
        if rng.random() < per_minute / 60.0 * gap_s:
            change[i] = _plus(_sign(rng) * float(rng.uniform(5.0, BURST_MOST_C)))
    return _each(body, "cup", change)


def open_circuit(body: Body, rng: np.random.Generator, for_s: float) -> Damaged:
    """The thermocouple is open for `for_s` (at least one record), at four moments and at the kick."""
    starts = [*rng.uniform(body.at.mix_s, body.at.end_s, 4).tolist(), *_near_kick(body, rng, for_s)]
    struck: dict[int, Change] = {}
    for start_s in starts:
        after = [i for i, line in enumerate(body.lines) if line.made_s >= start_s]
        inside = [i for i in after if body.lines[i].made_s < start_s + for_s]
        struck |= dict.fromkeys(inside or after[:1], lambda _: None)
    return _each(body, "cup", struck)


def junction_steps(body: Body, rng: np.random.Generator, step_k: float) -> Damaged:
    """The cold junction's value steps by `step_k` up or down, twice: once before the kick, once anywhere."""
    before_s = body.at.kick_s or body.at.end_s
    turns = [float(rng.uniform(body.at.mix_s, before_s)), float(rng.uniform(body.at.mix_s, body.at.end_s))]
    steps = [step_k * _sign(rng) for _ in turns]

    def off(line: Sent) -> float:
        return sum(by for at_s, by in zip(turns, steps, strict=True) if line.made_s >= at_s)

    return Damaged(tuple(changed(line, "cup", _plus(off(line))) for line in body.lines))


def coarse(body: Body, rng: np.random.Generator, code_c: float) -> Damaged:
    """The cup's readings come in codes of `code_c`."""
    offset_c = float(rng.uniform(0.0, code_c))
    return _all(body, "cup", lambda value: round((value - offset_c) / code_c) * code_c + offset_c)


def heavy_tails(body: Body, rng: np.random.Generator, scale_k: float) -> Damaged:
    """Noise of Student's t with three degrees of freedom, times `scale_k`, on the cup."""
    return _all(body, "cup", lambda value: value + scale_k * float(rng.standard_t(3)))


def gauge_noise(body: Body, rng: np.random.Generator, sd_psi: float) -> Damaged:
    """Plain noise on the pot's gauge."""
    return _all(body, "pot", lambda pa: round(pa + float(rng.normal(0.0, sd_psi)) * PA_PER_PSI))


def gauge_spikes(body: Body, rng: np.random.Generator, high_psi: float) -> Damaged:
    """Two readings in a row of the gauge off by `high_psi`, up or down, now and then and in the fill."""
    change: dict[int, Change] = {}
    at_floor_s = body.at.at_floor_s
    fill = [] if at_floor_s is None else [at_floor_s + float(rng.uniform(-15.0, 5.0))]
    for start_s in [*_moments(body, rng, EVERY_S), *fill]:
        after = [i for i, line in enumerate(body.lines) if line.made_s >= start_s][:2]
        change |= dict.fromkeys(after, _plus(round(_sign(rng) * high_psi * PA_PER_PSI)))
    return _each(body, "pot", change)
