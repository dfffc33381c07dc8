"""What a test picks from a union of events, findings or inputs, with its own type; another kind fails the test."""

from __future__ import annotations

from typing import TypeVar

T = TypeVar("T")


def as_kind(kind: type[T], thing: object) -> T:
    """The thing, known from here on to be of this kind."""
    assert isinstance(thing, kind), f"no {kind.__name__}: {thing!r}"
    return thing


def known(value: T | None) -> T:
    """The value, known from here on not to be None."""
    assert value is not None
    return value
