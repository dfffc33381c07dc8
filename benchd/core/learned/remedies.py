"""Judges what was tried at molds by the casts that came out after it, with the doubt that few casts leave.

1. A remedy counts for the casts that come out while it is the last one tried at its mold; the same words tried again
   are the same remedy.
2. It is judged by the trouble it was tried against: the cause named with it, else that of the mold's last bad part
   before.  A good part counts for it, one with that cause, or with none named, against it; one bad for another reason
   says nothing.
3. The mold's casts before anything was tried are what it is compared with.
4. Below LEAST casts nothing is said but that there are too few.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from math import exp, lgamma, log, sqrt

from benchd.core.model.learned import Remedy

LEAST = 3
Z95 = 1.959964  # standard normal, two-sided 95 %
SURE = 0.9  # the chance at which a remedy is called better; common practice, no source
BAD = ("second", "scrap")
NOTHING = ("nothing", "none")
MOST_KEPT = 4  # remedies of one mold


@dataclass(frozen=True, slots=True, kw_only=True)
class Tried:
    """What was tried at a mold, when [unix s], and against which cause, where one was named."""

    t: float
    mold: str
    text: str
    cause: str | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class Came:
    """A part that came out of a mold at out_t [unix s], and how."""

    mold: str
    out_t: float
    grade: str | None = None
    cause: str | None = None


def remedies_of(tried: Iterable[Tried], came: Iterable[Came]) -> dict[str, tuple[Remedy, ...]]:
    """Mold -> what was tried there, oldest first, the last MOST_KEPT; `is_on`: it counts for the next cast."""
    marks: dict[str, list[Tried]] = {}
    for mark in sorted(tried, key=lambda each: each.t):
        marks.setdefault(mark.mold, []).append(mark)
    casts: dict[str, list[Came]] = {}
    for cast in sorted(came, key=lambda each: each.out_t):
        casts.setdefault(cast.mold, []).append(cast)
    found = {mold: _of_mold(mine, casts.get(mold, [])) for mold, mine in marks.items()}
    return {mold: remedies for mold, remedies in found.items() if remedies}


def _of_mold(tried: Sequence[Tried], casts: Sequence[Came]) -> tuple[Remedy, ...]:
    before = [cast for cast in casts if cast.out_t <= tried[0].t]
    ends = [*(mark.t for mark in tried[1:]), float("inf")]
    by_words: dict[str, Remedy] = {}
    for mark, end_t in zip(tried, ends, strict=True):
        key, cause = mark.text.casefold(), mark.cause or _last_cause(casts, mark.t)
        if key in NOTHING:
            continue
        known = by_words.pop(key, None)
        cause = known.cause or cause if known else cause
        worked, of = _counted([cast for cast in casts if mark.t < cast.out_t <= end_t], cause)
        old_worked, old_of = _counted(before, cause)
        by_words[key] = Remedy(
            text=known.text if known else mark.text, cause=cause, worked=worked + (known.worked if known else 0),
            of=of + (known.of if known else 0), old_worked=old_worked, old_of=old_of, is_on=end_t == float("inf"),
        )  # fmt: skip
    return tuple(by_words.values())[-MOST_KEPT:]


def _last_cause(casts: Sequence[Came], t: float) -> str | None:
    return next((cast.cause for cast in reversed(casts) if cast.out_t <= t and cast.grade in BAD), None)


def _counted(casts: Sequence[Came], cause: str | None) -> tuple[int, int]:
    """(good, counted): rule 2."""
    good = sum(cast.grade not in BAD for cast in casts)
    against = sum(cast.grade in BAD and (cause is None or cast.cause in (None, cause)) for cast in casts)
    return good, good + against


def wilson(worked: int, of: int, z: float = Z95) -> tuple[float, float]:
    """The score interval of a share, `worked` of `of` (at least 1), two-sided at z.

    (p + z^2/2n -+ z sqrt(p (1 - p)/n + z^2/4n^2))/(1 + z^2/n).  Source: E. B. Wilson, "Probable inference, the law of
    succession, and statistical inference", J Am Stat Assoc 22 (1927) 209.

    >>> [round(end, 4) for end in wilson(15, 148)]
    [0.0624, 0.1605]
    """
    share, square = worked / of, z * z / of
    middle, half = share + square / 2.0, z * sqrt(share * (1.0 - share) / of + square / (4.0 * of))
    return max((middle - half) / (1.0 + square), 0.0), min((middle + half) / (1.0 + square), 1.0)


def chance_better(worked: int, of: int, old_worked: int, old_of: int) -> float:
    """The chance that the first share is really the larger, every share being as likely as another before.

    Both shares are Beta(good + 1, bad + 1); P = sum over i < a of B(c + i, b + d)/((b + i) B(1 + i, b) B(c, d)) with
    a, b the first's and c, d the other's parameters: the exact sum for whole numbers.

    >>> chance_better(2, 4, 2, 4)
    0.5
    """
    a, b, c, d = worked + 1, of - worked + 1, old_worked + 1, old_of - old_worked + 1
    terms = [_ln_beta(c + i, b + d) - log(b + i) - _ln_beta(1 + i, b) - _ln_beta(c, d) for i in range(a)]
    return round(min(sum(map(exp, terms)), 1.0), 12)


def _ln_beta(a: float, b: float) -> float:
    return lgamma(a) + lgamma(b) - lgamma(a + b)


def remedy_words(remedy: Remedy) -> str:
    """What was tried and how it did, with its doubt: "Vent at the strap loops: worked 3 of 4 (30 to 95 %)."."""
    head = remedy.text[:1].upper() + remedy.text[1:].rstrip(".")
    if remedy.of < LEAST:
        count = "not cast yet" if remedy.of == 0 else f"{remedy.worked} of {remedy.of}, too few to say"
        return f"{head}: {count}."
    low, high = wilson(remedy.worked, remedy.of)
    did = "worked" if remedy.worked else "did not work,"
    said = f"{head}: {did} {remedy.worked} of {remedy.of} ({100.0 * low:.0f} to {100.0 * high:.0f} %)"
    return f"{said}{_compared(remedy)}."


def tried_words(text: str, remedies: Mapping[str, Sequence[Remedy]], mold: str) -> str:
    """What is on trial at a mold, and how it did where that can be said: "vent at the strap loops, worked 3 of 4"."""
    known = on_trial(remedies, mold)
    if known is None or known.text.casefold() != text.casefold() or known.of < LEAST:
        return text
    return f"{text}, worked {known.worked} of {known.of}"


def _compared(remedy: Remedy) -> str:
    if remedy.old_of < LEAST:
        return ""
    without = f"; without it {remedy.old_worked} of {remedy.old_of}"
    chance = chance_better(remedy.worked, remedy.of, remedy.old_worked, remedy.old_of)
    if chance >= SURE:
        return without
    return f"{without}, so perhaps no better" if chance > 1.0 - SURE else f"{without}, so rather worse"


def on_trial(remedies: Mapping[str, Sequence[Remedy]], mold: str) -> Remedy | None:
    """What counts for a mold's next cast; None where nothing was tried, or it was given up."""
    return next((remedy for remedy in remedies.get(mold, ()) if remedy.is_on), None)
