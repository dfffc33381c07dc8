"""StateError: what a state cannot hold, or what in one does not fit."""

from __future__ import annotations


class StateError(ValueError):
    """A value that cannot be written to a state, or a state that cannot be read: damaged, foreign, of another shape."""
