"""What a state holds, how it is named, and that nothing in it is lost, doubled or guessed."""

from __future__ import annotations

import zlib
from collections import deque
from collections.abc import Container, Iterator
from dataclasses import dataclass, field
from itertools import islice
from typing import Any, Literal

import numpy as np
import pytest
from frozen_copy import frozen, frozen_copy
from hypothesis import given, settings
from hypothesis import strategies as st
from numpy.typing import NDArray
from recordings.day import inputs

from benchd.core.engine import Engine
from benchd.core.findings import FINDINGS
from benchd.core.kept import Kept
from benchd.core.model import Context, Input, Mark
from benchd.core.state.codec import STATE_VERSION, Given, unpack
from benchd.core.state.errors import StateError
from benchd.core.state.shapes import closure, digest_of
from benchd.plugins import watcher_plan
from benchd.runtime.watch.stepping import PACKING
from benchd.stored import TYPES, stored


@stored("test-point")
@dataclass(frozen=True, slots=True)
class Point:
    t: float
    kpa: float


@stored("test-cell")
@dataclass(frozen=True)
class Cell:
    t: float
    row: NDArray[np.float64]
    ok: bool = True


@stored("test-part")
@dataclass(slots=True)
class Part:
    name: str
    at: float | None = None


@stored("test-whole")
@dataclass
class Whole:
    parts: dict[tuple[str, str], Part] = field(default_factory=dict)
    first: Part | None = None
    mode: Literal["a", "b"] = "a"
    points: deque[Point] = field(default_factory=lambda: deque(maxlen=5))
    cells: list[Cell] = field(default_factory=list)
    runs: list[tuple[float, float]] = field(default_factory=list)
    plain: dict[str, Any] = field(default_factory=dict)
    matrix: NDArray[np.float64] | None = None
    names: frozenset[str] = frozenset()


def whole() -> Whole:
    part = Part("x", 3.0)
    matrix = np.arange(18.0).reshape(2, 3, 3)
    return Whole(
        {("a", "b"): part, ("c", "d"): Part("y")}, part, "b", deque([Point(0.25 * i, 280.0 + i) for i in range(5)], 5),
        [Cell(1.0, np.array([1.0, np.nan])), Cell(2.0, np.array([3.0]), False)], [(1.0, 2.0), (3.0, float("inf"))],
        {"list": [1, (2, 3.5)], "none": None, "deep": {"text": "é\u2028"}}, matrix + matrix.swapaxes(1, 2),
        frozenset({"p", "q"}),
    )  # fmt: skip


def test_a_state_comes_back_as_it_was_and_what_was_shared_is_shared() -> None:
    """Types, order, limits of deques, tuples against lists, NaN, symmetric arrays; one part in two places is one."""
    before, after = whole(), frozen_copy(whole())
    assert after.parts[("a", "b")] is after.first
    assert (after.points, after.points.maxlen) == (before.points, 5)
    assert after.plain == before.plain
    assert type(after.plain["list"][1]) is tuple
    assert [c.ok for c in after.cells] == [True, False]
    for a, b in zip(after.cells, before.cells, strict=True):
        np.testing.assert_array_equal(a.row, b.row)
    np.testing.assert_array_equal(after.matrix, before.matrix)
    assert (after.mode, after.runs, after.names) == (before.mode, before.runs, before.names)


def test_a_thawed_array_can_be_written_to() -> None:
    copy = frozen_copy(whole())
    assert copy.matrix is not None
    copy.matrix[0, 0, 0] = 7.0
    copy.cells[0].row[0] = 8.0
    assert (copy.matrix[0, 0, 0], copy.cells[0].row[0]) == (7.0, 8.0)


@pytest.mark.parametrize(
    ("name", "value"),
    [
        ("mode", "c"), ("first", Point(1.0, 2.0)), ("runs", [(1.0,)]), ("runs", [(1.0, "2")]),
        ("plain", {"x": object()}), ("matrix", np.array(["text"])), ("points", deque([(1.0, 2.0)])),
    ],
)  # fmt: skip
def test_a_value_of_another_type_than_declared_cannot_be_written(name: str, value: Any) -> None:
    item = whole()
    setattr(item, name, value)
    with pytest.raises((StateError, AttributeError)):
        frozen(item)


def test_an_attribute_nobody_declared_cannot_be_lost_silently() -> None:
    item = whole()
    item.extra = 1  # type: ignore[attr-defined]
    with pytest.raises(StateError, match="does not declare"):
        frozen(item)


@settings(deadline=None)
@given(st.lists(st.tuples(st.floats(), st.floats())), st.lists(st.floats(width=32)))
def test_runs_of_floats_come_back_to_the_bit(rows: list[tuple[float, float]], row: list[float]) -> None:
    item = Whole(runs=rows, matrix=np.array(row))
    copy = frozen_copy(item)
    assert np.array(copy.runs).tobytes() == np.array(rows).tobytes()
    assert copy.matrix is not None
    assert copy.matrix.tobytes() == np.array(row).tobytes()


# ------------------------------------------------------------------------------------------------- names and versions


def test_a_field_put_in_front_never_takes_anothers_place() -> None:
    """The floor must not be read as the target: fields go by name and type, or the state does not fit."""

    @stored("test-limits")
    @dataclass
    class Old:
        floor: float
        limit: float

    blob = frozen(Old(35.0, 54.0))
    del TYPES["test-limits"]

    @stored("test-limits")
    @dataclass
    class New:
        target: float
        floor: float
        limit: float = 60.0

    assert digest_of([New]) != digest_of([Old])
    with pytest.raises(StateError, match="are not this version's"):
        unpack(blob, [New], Given(), digest_of([New]))


@pytest.mark.parametrize("annotations", [{"a": "int", "b": "float"}, {"b": "float", "a": "float"}, {"a": "float"}])
def test_the_digest_sees_a_fields_name_type_and_order(annotations: dict[str, str]) -> None:
    def made(fields: dict[str, str]) -> str:
        TYPES.pop("test-digest", None)
        return digest_of([stored("test-digest")(dataclass(type("Any", (), {"__annotations__": fields})))])

    assert made({"a": "float", "b": "float"}) != made(annotations)


def test_moving_a_class_changes_nothing() -> None:
    """The module's path stands nowhere in a state or its digest."""
    before = digest_of([Whole])
    blob = frozen(whole())
    for cls in (Whole, Part, Point, Cell):
        cls.__module__ = "elsewhere"
    try:
        assert digest_of([Whole]) == before
        assert b"elsewhere" not in frozen(whole()) == blob
    finally:
        for cls in (Whole, Part, Point, Cell):
            cls.__module__ = __name__


def test_a_tag_is_taken_once() -> None:
    with pytest.raises(ValueError, match="taken"):
        stored("test-point")(type("Other", (), {}))
    with pytest.raises(ValueError, match="malformed"):
        stored("Not A Tag")(type("Other", (), {}))


def test_what_is_stored_today() -> None:
    """When this fails, a stored field was added, dropped, renamed or retyped: old checkpoints replay their inputs.

    Put the new digest here.  Where a field's meaning changed and its name and type did not, count STATE_VERSION up.
    """
    context = next(item for item in inputs() if isinstance(item, Context))
    engine = Engine(watcher_plan)
    engine.step(context)
    kept = Kept(engine.bench, watcher_plan(engine.bench))
    assert (STATE_VERSION, kept.digest) == (8, "a6ce129be275cf88")


def test_every_finding_and_every_watcher_can_be_stored() -> None:
    """Statically: each type reachable from a watcher's declared fields has a shape."""
    found = closure([*FINDINGS.values(), *(type(w) for w in watchers())])
    assert len(found) > 100


def watchers() -> Iterator[Any]:
    context = next(item for item in inputs() if isinstance(item, Context))
    engine = Engine(watcher_plan)
    engine.step(context)
    yield from (plan.make() for plan in watcher_plan(engine.bench))


# ------------------------------------------------------------------------------------------------------------- size


def packed_sizes(items: list[Input], at: Container[int]) -> dict[int, int]:
    """The bytes of a checkpoint as stored, after these inputs."""
    engine, sizes = Engine(watcher_plan), dict[int, int]()
    for index, item in enumerate(items):
        engine.step(item)
        if index in at:
            sizes[index] = len(zlib.compress(engine.freeze(), PACKING))
    return sizes


@pytest.mark.wide
def test_a_load_fits_in_forty_kilobytes_and_an_idle_bench_in_twelve() -> None:
    """As stored: an idle bench before its first mix, a pour, its hold."""
    items = list(islice(inputs(), 4000))
    sizes = packed_sizes(items, (200, *range(250, 4000, 250)))
    assert sizes[200] <= 12_000
    assert 20_000 < max(sizes.values()) <= 40_000


@pytest.fixture(scope="module")
def third_load_sizes() -> tuple[int, list[int]]:
    """The bytes between the second load and the third, and those of every 250th input of the third."""
    items = list(inputs())
    starts = [i for i, item in enumerate(items) if isinstance(item, Mark) and item.verb == "mix"]
    sizes = packed_sizes(items, (starts[2] - 2000, *range(starts[2], len(items), 250)))
    return sizes.pop(starts[2] - 2000), list(sizes.values())


@pytest.mark.soak
@pytest.mark.timeout(900)
def test_a_days_third_load_fits_in_forty_kilobytes(third_load_sizes: tuple[int, list[int]]) -> None:
    assert max(third_load_sizes[1]) <= 40_000


@pytest.mark.soak
@pytest.mark.timeout(900)
def test_the_bench_between_loads_fits_in_twelve_kilobytes(third_load_sizes: tuple[int, list[int]]) -> None:
    assert third_load_sizes[0] <= 12_000
