"""Where do two tellings of the same inputs differ?  Findings, alerts and words in their printed form, aligned.

Two effects are the same one when their kind, name and subject agree and they stand at the same place in the order; then
each key is compared, numbers to one unit of their last printed place.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from difflib import SequenceMatcher
from typing import Any

from benchd.core.printed import printed_step

Printed = Mapping[str, Any]
KINDS = ("finding", "alert", "say")


@dataclass(frozen=True, slots=True)
class Difference:
    """before or now is None where only the other one told it; changed: the keys that differ in what both told."""

    before: Printed | None
    now: Printed | None
    changed: tuple[str, ...] = ()

    @property
    def t(self) -> float:
        return float((self.now or self.before or {}).get("t", 0.0))


def differences(before: Sequence[Printed], now: Sequence[Printed]) -> Iterator[Difference]:
    """Every difference, in order of telling."""
    matcher = SequenceMatcher(None, [_key(x) for x in before], [_key(x) for x in now], autojunk=False)
    for what, i, i_end, j, j_end in matcher.get_opcodes():
        if what != "equal":
            yield from (Difference(x, None) for x in before[i:i_end])
            yield from (Difference(None, x) for x in now[j:j_end])
            continue
        for old, new in zip(before[i:i_end], now[j:j_end], strict=True):
            changed = tuple(k for k in _keys(old, new) if not is_same(k, old.get(k), new.get(k)))
            if changed:
                yield Difference(old, new, changed)


def is_same(name: str, a: Any, b: Any) -> bool:
    """Do two printed values agree, numbers to one unit of the last place printed under that name?"""
    if isinstance(a, bool) or isinstance(b, bool) or not isinstance(a, int | float) or not isinstance(b, int | float):
        if isinstance(a, Mapping) and isinstance(b, Mapping):
            return a.keys() == b.keys() and all(is_same(k, a[k], b[k]) for k in a)
        if isinstance(a, list) and isinstance(b, list):
            return len(a) == len(b) and all(is_same(name, x, y) for x, y in zip(a, b, strict=True))
        return bool(a == b)
    if isinstance(a, int) and isinstance(b, int):
        return a == b
    return abs(a - b) <= 1.001 * printed_step(name, float(a if abs(a) > abs(b) else b))


def name_of(told: Printed) -> str:
    """A finding's or alert's name, or the code of what was said."""
    return str(told.get("finding") or told.get("alert") or told.get("code") or told.get("say", "?"))


def _key(told: Printed) -> tuple[str, ...]:
    """What it is and of whom; an alert's beginning and its end are two things."""
    kind = next((k for k in KINDS if k in told), "?")
    subject = sorted(f"{k}={v}" for k, v in told.get("subject", {}).items())
    return (kind, name_of(told), str(told.get("active", "")), *subject)


def _keys(old: Printed, new: Printed) -> list[str]:
    """Keys of both; those of the subject stand in it already.  A key an older version did not have is none."""
    subject = {**old.get("subject", {}), **new.get("subject", {})}
    return [k for k in new if k in old and k not in subject and k != "subject"]
