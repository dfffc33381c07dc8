"""The one error of a state: something it cannot hold, or something in it that does not fit."""

from __future__ import annotations


class StateError(ValueError):
    """A value that can't be written to a state, or a state that can't be read: damaged, foreign, of another version."""
