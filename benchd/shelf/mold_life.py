"""Learns how many casts a silicone's molds give before parts begin to stick.

The first sticking or matte part is the sign that the resin has stripped the silicone's oils (common practice); a part
left in much too long sticks in any mold and doesn't count.  The life is the median of the casts given before it, by
the product-limit estimate, in which molds without a sign count as long as they have lasted.

Source: E. L. Kaplan, P. Meier, "Nonparametric estimation from incomplete observations", J. Am. Stat. Assoc. 53 (1958)
457.
"""

from __future__ import annotations

import re
from collections.abc import Iterable, Sequence
from dataclasses import dataclass

from benchd.core.model.learned import LearnedLife

LEAST_SIGNS = 3  # fewer molds that began to stick say little; common practice, no source
LATE = 1.5  # pulled this much after it was held ready hard it sticks for another reason; common practice, no source
WORDS = re.compile(r"\b(matte?|sticks|sticking|stuck)\b", re.IGNORECASE)


@dataclass(frozen=True, slots=True, kw_only=True)
class MoldHistory:
    """A mold's casts so far, and how many of them it gave before the first sticking part; None: none stuck yet."""

    mold: str
    silicone: str
    casts: int
    before_sign: int | None = None


def is_sign(feel: str | None, text: str | None, after_s: float | None, hard_s: float | None) -> bool:
    """True if a part stuck, or came out matte, though it was not left in too long."""
    if after_s is not None and hard_s is not None and after_s > LATE * hard_s:
        return False
    return feel == "stuck" or WORDS.search(text or "") is not None


def median_casts(histories: Sequence[MoldHistory]) -> int | None:
    """The product-limit median of casts before the first sign; None if half of the molds haven't come so far."""
    share, at_risk = 1.0, len(histories)
    lasted = sorted((h.casts if h.before_sign is None else h.before_sign, h.before_sign is None) for h in histories)
    for casts, is_open in lasted:  # of equal counts the signs first
        if not is_open:
            share *= 1.0 - 1.0 / at_risk
            if share <= 0.5 + 1e-12:
                return casts
        at_risk -= 1
    return None


def lives(histories: Iterable[MoldHistory]) -> dict[str, LearnedLife]:
    """Silicone -> life, for those named on the shelf with enough signs."""
    by_silicone: dict[str, list[MoldHistory]] = {}
    for history in histories:
        if history.silicone:
            by_silicone.setdefault(history.silicone, []).append(history)
    out = {}
    for silicone, group in sorted(by_silicone.items()):
        signs = sum(h.before_sign is not None for h in group)
        casts = median_casts(group)
        if signs >= LEAST_SIGNS and casts is not None and casts > 0:
            out[silicone] = LearnedLife(casts, signs, len(group))
    return out
