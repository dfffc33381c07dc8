"""Estimates what a mold's probe, or a pull that brackets its time, would have gained in a week's ready times.

Each part of the week is forecast again by core/mold_forecast as it was known at its mix, and once more

    mold probe        with its mold's warmth measured
    bracketing pull   with one pull more felt at its likely time: the mean over what it might feel like, each as likely
                      as the mold's belief has it (physics/mold_factor)
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from statistics import fmean

from benchd.core.bench import Bench
from benchd.core.findings import Kicked, PourStarted
from benchd.core.model import Subject
from benchd.core.mold_forecast import CastKnown, ResinModel, part_times
from benchd.core.seat.retell import RetellRule
from benchd.physics.label_cure import MIDDLING
from benchd.physics.mold_factor import Belief, Pull
from benchd.reports.records import PourRecord
from benchd.reports.week.gains import LEAST_HELP, Gain
from benchd.watchers.demold import Settings
from benchd.watchers.demold.casts import Cast, MoldMemory, cast_known, room_or_label_c
from benchd.watchers.demold.lessons import MoldLessons

TUNE = Settings()
NEVER_TOLD = RetellRule(least_gap_s=0.0, least_move_s=0.0)
BRACKETING = ("hard", "green", "rubbery")
BRACKETING_HOT = ("hard", "hot")  # what a thick section may feel like


@dataclass(frozen=True, slots=True)
class _Open:
    """One part's window now, with its mold's probe, and with one bracketing pull more [s wide]."""

    now_s: float
    probed_s: float
    pulled_s: float


def ready_gains(
    bench: Bench, pours: Sequence[PourRecord], models: Mapping[str, ResinModel], since_t: float
) -> tuple[Gain, Gain]:
    """(bracketing pull, mold probe) over the parts mixed from since_t on; the pours before tell which molds were warm.

    models: each resin's solved sections.
    """
    parts = sum(len(pour.parts) for pour in pours if pour.mix_t >= since_t)
    pull = Gain(measure="feel at a pull near its time", serves="ready window", unit="min", of=parts, area="part")
    probe = Gain(measure="mold probe", serves="ready window", unit="min", of=parts, area="part")
    found = _windows(bench, pours, models, since_t)
    if not found:
        why = "no part of a mold on the shelf" if models or not parts else "the mold sections are not solved yet"
        return replace(pull, lacking=f"needs parts to judge: {why}"), replace(
            probe, lacking=f"needs parts to judge: {why}"
        )
    return _gain(pull, found, [x.pulled_s for x in found], ""), _gain(
        probe, found, [x.probed_s for x in found], "no mold was cast warm, or its warmth leaves little open"
    )


def _gain(gain: Gain, found: Sequence[_Open], then: Sequence[float], none: str) -> Gain:
    helped = [(x.now_s, s) for x, s in zip(found, then, strict=True) if s < (1.0 - LEAST_HELP) * x.now_s]
    if not helped:
        return replace(gain, lacking=none or "the pulls so far tell as much")
    now_s, with_s = (fmean(pair[i] for pair in helped) for i in (0, 1))
    return replace(gain, now=now_s / 60.0, with_it=with_s / 60.0, helps=len(helped))


def _windows(
    bench: Bench, pours: Sequence[PourRecord], models: Mapping[str, ResinModel], since_t: float
) -> list[_Open]:
    memory, out = MoldMemory(), list[_Open]()
    lessons = MoldLessons()
    for pour in pours:
        cast = _cast(bench, pour)
        for mold, held in cast.parts.items():
            known = cast_known(bench, cast, held, memory)
            model = None if known is None else models.get(known.resin.id)
            if known is not None and model is not None and pour.mix_t >= since_t:
                belief = lessons.expected(bench, held.mold, known.resin.id)
                out.append(_open(bench, known, model, belief))
            part = next((part for part in pour.parts if part.mold == mold), None)
            if part is not None and part.out_t is not None:
                rise_k = model.cure.rise_k if model is not None else MIDDLING.rise_k
                memory.remember(cast, held, rise_k, pour.kick_s or 180.0, part.out_t)
    return out


def _cast(bench: Bench, pour: PourRecord) -> Cast:
    """A pour as the demold watcher held it at its kick."""
    about = Subject(bench=bench.id, pour=pour.id, cup=pour.cup, pot=pour.pot)
    started = PourStarted(
        t=pour.mix_t, subject=about, mix_t=pour.mix_t, lot=pour.lot, molds=pour.molds, inferred=pour.inferred,
        number=pour.number, a_g=pour.a_g, b_g=pour.b_g, mold_c=pour.mold_c,
    )  # fmt: skip
    cast = Cast(started, room_or_label_c(pour.room_c))
    cast.take_molds(bench, NEVER_TOLD)
    if pour.kick_t is not None:
        early, late = pour.kick_early_t or pour.kick_t, pour.kick_late_t or pour.kick_t
        basis = "marked" if pour.kick_basis == "marked" else "curve"
        cast.take_kick(Kicked(t=pour.kick_t, subject=about, at=pour.kick_t, early=early, late=late, temp_c=None,
                              basis=basis))  # type: ignore[arg-type]  # one of the two  # fmt: skip
    return cast


def _open(bench: Bench, known: CastKnown, model: ResinModel, belief: Belief) -> _Open:
    now = part_times(known, model, belief, TUNE)
    has_probe = any(c.role == "mold_temperature" and c.of == known.mold.id for c in bench.channels)
    probed = now if has_probe else part_times(replace(known, mold_sd=0.0), model, belief, TUNE)
    green_s, hard_s = now.model_s or (now.hard[1], now.hard[1])
    feels = BRACKETING_HOT if now.limit == "thick" else BRACKETING
    after_s = hard_s * math.exp(belief.mean)
    pulls = [Pull(mold=known.mold.id, resin=known.resin.id, after_s=after_s, feel=feel, green_s=green_s, hard_s=hard_s)
             for feel in feels]  # fmt: skip
    chances = [belief.expects(pull) for pull in pulls]
    widths = [_width(part_times(known, model, belief.after(pull), TUNE).hard) for pull in pulls]
    pulled_s = math.fsum(p * w for p, w in zip(chances, widths, strict=True)) / math.fsum(chances)
    return _Open(_width(now.hard), _width(probed.hard), pulled_s)


def _width(times: tuple[float, float, float]) -> float:
    return times[2] - times[0]
