"""What follows from a bench alone, worked out once in a process instead of in each night.

Benches that are printed alike are one object here; their plans and what a checkpoint refers to hang on it.
"""

from __future__ import annotations

import copy
from collections.abc import Mapping, Sequence
from typing import Any

from benchd.core.bench import Bench
from benchd.core.bench.context import bench_after, bench_from_context
from benchd.core.model import Context
from benchd.core.seat.watcher import WatcherPlan
from benchd.core.state.codec import Given
from benchd.plugins import watcher_plan

MOST = 16

_benches: dict[str, Bench] = {}
_plans: dict[int, Sequence[WatcherPlan]] = {}
_given: dict[int, Given] = {}


def one_bench(bench: Bench) -> Bench:
    """The bench that is printed like this one."""
    words = repr(bench)
    if words not in _benches and len(_benches) >= MOST:
        _benches.clear()
        _plans.clear()
        _given.clear()
    return _benches.setdefault(words, bench)


def after(bench: Bench, context: Context) -> Bench:
    """As bench.context.bench_after."""
    return one_bench(bench_after(bench, context))


def from_context(context: Context) -> Bench:
    """As bench.context.bench_from_context."""
    return one_bench(bench_from_context(context))


def plans(bench: Bench) -> Sequence[WatcherPlan]:
    """As plugins.watcher_plan."""
    if not _is_kept(bench):
        return watcher_plan(bench)
    if id(bench) not in _plans:
        _plans[id(bench)] = watcher_plan(bench)
    return _plans[id(bench)]


def given(items: list[Any], named: Mapping[str, Any]) -> Given:
    """As codec.Given; `items` begin with the bench, from which the others follow."""
    bench = items[0]
    if not _is_kept(bench):
        return Given(items, named)
    if id(bench) not in _given:
        _given[id(bench)] = Given(items)
    found = copy.copy(_given[id(bench)])
    found.named = dict(named)
    return found


def _is_kept(bench: Bench) -> bool:
    return any(bench is kept for kept in _benches.values())
