"""Puts one stored object through the bytes of a checkpoint and back, for tests of its state."""

from __future__ import annotations

from typing import Any, TypeVar

from benchd.core.state.codec import Given, pack, unpack
from benchd.core.state.shapes import digest_of
from benchd.physics.section_table import SectionTable

T = TypeVar("T")


def frozen(item: Any) -> bytes:
    """The bytes of one stored object."""
    return pack([item], [type(item)], Given(), digest_of([type(item)]))


def thawed(blob: bytes, cls: type[T], *tables: SectionTable) -> T:
    """The object again; section tables are given, not written."""
    (item,) = unpack(blob, [cls], Given((), {table.given_name(): table for table in tables}), digest_of([cls]))
    return item  # type: ignore[no-any-return]


def frozen_copy(item: T) -> T:
    """The object, gone through its bytes."""
    return thawed(frozen(item), type(item))
