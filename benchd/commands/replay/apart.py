"""Compares two outputs for the same inputs: findings, alerts and utterances in their printed form, aligned.

Two effects are the same one when kind, name and subject are equal and so is their place in the order; then each key is
compared, numbers to one unit of their last printed place.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from difflib import SequenceMatcher
from typing import Any

from benchd.core.format.printed import printed_step

Printed = Mapping[str, Any]
KINDS = ("finding", "alert", "say")
MOVED_S = 1.0  # two watchers' effects of the same second may change order


@dataclass(frozen=True, slots=True)
class Difference:
    """One difference.  `before` or `now` is None where only the other run has it; changed: the keys that differ."""

    before: Printed | None
    now: Printed | None
    changed: tuple[str, ...] = ()

    @property
    def t(self) -> float:
        """The time of the effect [unix s]."""
        return float((self.now or self.before or {}).get("t", 0.0))


def differences(before: Sequence[Printed], now: Sequence[Printed]) -> list[Difference]:
    """Every difference, in order of output; effects that only changed order within a second are still compared."""
    found = list(_apart(before, now))
    new = [d for d in found if d.before is None]
    out = []
    for difference in found:
        moved = next((n for n in new if difference.now is None and _is_moved(difference.before, n.now)), None)
        if moved is not None:
            new.remove(moved)
            difference = _pair(difference.before or {}, moved.now or {})
        if difference.before is not None and (difference.now is None or difference.changed):
            out.append(difference)
    return sorted([*out, *new], key=lambda d: d.t)


def _apart(before: Sequence[Printed], now: Sequence[Printed]) -> Iterator[Difference]:
    matcher = SequenceMatcher(None, [_key(x) for x in before], [_key(x) for x in now], autojunk=False)
    for what, i, i_end, j, j_end in matcher.get_opcodes():
        if what != "equal":
            yield from (Difference(x, None) for x in before[i:i_end])
            yield from (Difference(None, x) for x in now[j:j_end])
        else:
            yield from map(_pair, before[i:i_end], now[j:j_end])


def _pair(old: Printed, new: Printed) -> Difference:
    return Difference(old, new, tuple(k for k in _keys(old, new) if not is_same(k, old[k], new[k])))


def _is_moved(old: Printed | None, new: Printed | None) -> bool:
    return old is not None and new is not None and _key(old) == _key(new) and abs(old["t"] - new["t"]) <= MOVED_S


def is_same(name: str, a: Any, b: Any) -> bool:
    """Whether two printed values agree, numbers to one unit of the last place printed under that name."""
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
    """A finding's or alert's name, or the code of an utterance."""
    return str(told.get("finding") or told.get("alert") or told.get("code") or told.get("say", "?"))


def _key(told: Printed) -> tuple[str, ...]:
    """The identity of an effect and its subject; an alert's beginning and end differ."""
    kind = next((k for k in KINDS if k in told), "?")
    subject = sorted(f"{k}={v}" for k, v in told.get("subject", {}).items())
    return (kind, name_of(told), str(told.get("active", "")), *subject)


def _keys(old: Printed, new: Printed) -> list[str]:
    """Keys of both, except those of the subject, which are compared already.

    A key an older version lacked is skipped.
    """
    subject = {**old.get("subject", {}), **new.get("subject", {})}
    return [k for k in new if k in old and k not in subject and k != "subject"]
