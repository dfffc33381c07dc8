"""Counts what a running watch holds, container by container, to find what grows by a little with every load."""

from __future__ import annotations

from collections import Counter, deque
from collections.abc import Iterator, Mapping, Sequence
from itertools import pairwise
from typing import Any

from benchd.physics.curve_bins import MOST_BINS
from benchd.physics.slopes import MOST_NEAR_PEAK, MOST_RISE_K
from benchd.runtime.health import LOADS_KEPT

OURS = "benchd."
DEEPEST = 14
LOADS_ALIKE = 4  # so many loads in a row that add to a container: nothing bounds it
SEEN_AT_LEAST = 9  # loads before that: some things hold the newest few loads
BOUNDED = {
    ".alarms_per_load": LOADS_KEPT,
    ".at_rise": MOST_RISE_K + 1,
    ".near_peak": MOST_NEAR_PEAK,
    ".bins._done": MOST_BINS,
    ".up.lows": 300,  # a board's clock looks back five minutes (core/intake/envelope.py), a line a second
    ".voice.calls": 15,  # patient calls wait for ten minutes (core/alarm/speech.py), in which eleven loads fit
}
MANY = " many"  # after a path: how many containers are there
CONTAINERS = (dict, list, set, deque)


def census(roots: Mapping[str, object]) -> Counter[str]:
    """The length of every container that can be reached from these objects, by its path of attributes.

    A deque with a length of its own is left out: it is bounded.
    """
    found: Counter[str] = Counter()
    seen: set[int] = set()
    waiting: list[tuple[str, object, int]] = [(name, thing, 0) for name, thing in roots.items()]
    while waiting:
        path, thing, depth = waiting.pop()
        if id(thing) in seen or depth > DEEPEST:
            continue
        seen.add(id(thing))
        if isinstance(thing, CONTAINERS):
            if not (isinstance(thing, deque) and thing.maxlen is not None):
                found[path] += len(thing)
                found[path + MANY] += 1
            inside = [*thing.values()] if isinstance(thing, dict) else [*thing]
            waiting += [(f"{path}[]", one, depth + 1) for one in inside if _is_ours(one)]
        else:
            waiting += [(f"{path}.{name}", one, depth + 1) for name, one in _parts(thing) if _is_ours(one)]
    return found


def _is_ours(thing: object) -> bool:
    return isinstance(thing, (*CONTAINERS, tuple)) or type(thing).__module__.startswith(OURS)


def _parts(thing: object) -> Iterator[tuple[str, Any]]:
    if isinstance(thing, tuple):
        yield from (("()", one) for one in thing)
        return
    yield from getattr(thing, "__dict__", {}).items()
    for kind in type(thing).__mro__:
        for name in getattr(kind, "__slots__", ()):
            if hasattr(thing, name):
                yield name, getattr(thing, name)


def growing(counts: Sequence[Counter[str]]) -> list[str]:
    """The containers that each of the last few loads added to, with their lengths; empty before enough loads."""
    if len(counts) < SEEN_AT_LEAST:
        return []
    last = counts[-LOADS_ALIKE - 1 :]
    paths = [path for path in last[-1] if not path.endswith(MANY) and all(a[path] < b[path] for a, b in pairwise(last))]
    return [f"{path} {[count[path] for count in last]}" for path in sorted(paths) if not _is_bounded(path, last[-1])]


def _is_bounded(path: str, count: Counter[str]) -> bool:
    """Whether these containers grow with time up to a bound of their own, and are within it."""
    return any(path.endswith(end) and count[path] <= most * count[path + MANY] for end, most in BOUNDED.items())
