"""Judges forecasts by what came: kicks and parts against the windows told of them.

Rules.  1. A kick is held against the window that stood at half of its time, which is what a load is closed by; a part
against the one that stood when it was pulled.
2. A mark shows what happened (`seen`); a kick found in the curve is benchd's own finding (`inferred`).
3. A kick lies outside only if its own doubt lies wholly outside; where both overlap nobody can tell.
4. A pull is one-sided: hard says that it was hard before, rubbery or hot that it would be later.
"""

from __future__ import annotations

from dataclasses import dataclass
from math import comb
from typing import Literal

from benchd.core.bench import Bench
from benchd.reports.records import Part, PourRecord, Records
from benchd.reports.week.told import PourTold, WeekTold, Window

Says = Literal["right", "sooner", "later", "early", "late", "needless", "missing", "false", "unknown"]
"""right; a forecast's event came sooner or later than its window; a word came early, late, needlessly or not at all;
an alarm was false; nothing shows."""
Doubt = Literal["seen", "inferred", "unknown"]
Side = Literal["at", "before", "after"]
HALF = 0.5
OUTSIDE = 0.1  # of 90 % windows


@dataclass(frozen=True, slots=True, kw_only=True)
class Verdict:
    """What was told (`what`) at t [unix s] of a pour and perhaps a mold, how it turned out, how that is known.

    place: where it came within its window, -1 the early edge, 0 likely, 1 late; side: a pull shows only that it was
    before or after that.
    """

    what: str
    t: float
    pour: str
    says: Says
    doubt: Doubt
    why: str
    mold: str | None = None
    place: float | None = None
    side: Side = "at"

    @property
    def is_wrong(self) -> bool:
        """Whether benchd got it wrong."""
        return self.says not in ("right", "unknown")


def kick_verdicts(records: Records, told: WeekTold) -> list[Verdict]:
    """Each pour's kick against its window; none for a pour without a kick or a forecast."""
    found = [_kick(pour, told.of(pour.id)) for pour in records.pours.values()]
    return [each for each in found if each is not None]


def _kick(pour: PourRecord, told: PourTold) -> Verdict | None:
    kick_t = pour.kick_t
    window = None if kick_t is None else told.kick_by(pour.mix_t + HALF * (kick_t - pour.mix_t))
    if kick_t is None or window is None:
        return None
    early, late = (kick_t if own is None else own for own in (pour.kick_early_t, pour.kick_late_t))
    says: Says = "right"
    if not window.early <= kick_t <= window.late:
        says = "unknown" if early <= window.late and late >= window.early else (
            "sooner" if kick_t < window.early else "later"
        )  # fmt: skip
    low, likely, high = (at - pour.mix_t for at in (window.early, window.likely, window.late))
    return Verdict(
        what="kick", t=kick_t, pour=pour.id, says=says, doubt=kick_doubt(pour), place=place_in(window, kick_t),
        why=f"kick {kick_t - pour.mix_t:.0f} s after the mix, foretold {likely:.0f} ({low:.0f} to {high:.0f})",
    )  # fmt: skip


def kick_doubt(pour: PourRecord) -> Doubt:
    """How a pour's kick is known."""
    return "unknown" if pour.kick_t is None else "seen" if pour.kick_basis == "marked" else "inferred"


def place_in(window: Window, t: float) -> float:
    """-1 at the window's early edge, 0 at its likely time, 1 at its late edge."""
    half = window.likely - window.early if t < window.likely else window.late - window.likely
    return (t - window.likely) / max(half, 1.0)


def ready_verdicts(bench: Bench, records: Records, told: WeekTold) -> list[Verdict]:
    """Each part that was felt as it came out, against the window told of it."""
    found = [_ready(part, told.of(part.pour)) for part in records.parts()]
    return [each for each in found if each is not None]


def _ready(part: Part, told: PourTold) -> Verdict | None:
    out_t = part.out_t
    ready = None if out_t is None else told.ready_by(part.mold, out_t)
    if out_t is None or ready is None:
        return None
    early, likely, late = ready.hard
    side: Side = "at" if part.feel is None else "before" if part.feel in ("hard", "stuck") else "after"
    says: Says = "right"
    if part.feel is None:
        says = "unknown"
    elif side == "before" and out_t < early:
        says = "sooner"
    elif (side == "after" and out_t > late) or (part.feel == "rubbery" and ready.green and out_t > ready.green[2]):
        says = "later"
    elif part.feel == "green" and ready.green is not None and out_t < ready.green[0]:
        says = "sooner"
    foretold = f"hard foretold after {_min(likely - part.mix_t)} min ({_min(early - part.mix_t)} to "
    return Verdict(
        what="part", t=out_t, pour=part.pour, mold=part.mold, says=says, side=side,
        doubt="unknown" if part.feel is None else "seen", place=place_in(Window(ready.t, early, likely, late), out_t),
        why=f"felt {part.feel or 'unsaid'} after {_min(out_t - part.mix_t)} min, {foretold}{_min(late - part.mix_t)})",
    )  # fmt: skip


def _min(seconds: float) -> str:
    return f"{seconds / 60.0:.0f}"


def chance_of(outside: int, of: int, each: float = OUTSIDE) -> float:
    """The chance that so many or more of `of` windows miss, if each misses with chance `each`: a binomial's tail.

    P = sum over k from `outside` to `of` of C(of, k) each^k (1 - each)^(of - k).

    >>> round(chance_of(2, 10), 4)
    0.2639
    """
    return sum(comb(of, k) * each**k * (1.0 - each) ** (of - k) for k in range(outside, of + 1))
