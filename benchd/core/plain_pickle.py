"""How is a checkpoint read without trusting it?  Unpickles only benchd's own types and a few plain containers.

A checkpoint is a cache in the user's own journal, but a file can be tampered with: a pickle that names any other
callable is refused.
"""

from __future__ import annotations

import pickle
from typing import Any

ALLOWED = {
    ("collections", "deque"), ("builtins", "set"), ("builtins", "frozenset"), ("builtins", "complex"),
    ("builtins", "bytearray"), ("builtins", "range"), ("builtins", "slice"),
    ("numpy", "ndarray"), ("numpy", "dtype"), ("numpy._core.multiarray", "_reconstruct"),
    ("numpy._core.multiarray", "scalar"), ("numpy._core.numeric", "_frombuffer"),
    ("numpy.core.multiarray", "_reconstruct"), ("numpy.core.multiarray", "scalar"),
    ("numpy.core.numeric", "_frombuffer"),
}  # fmt: skip


class _Bytes:
    """The two methods an unpickler reads with."""

    def __init__(self, data: bytes) -> None:
        self._data, self._at = data, 0

    def read(self, size: int = -1, /) -> bytes:
        end = len(self._data) if size < 0 else self._at + size
        taken = self._data[self._at : end]
        self._at += len(taken)
        return taken

    def readline(self) -> bytes:
        end = self._data.find(b"\n", self._at) + 1
        return self.read((end or len(self._data)) - self._at)


class _Plain(pickle.Unpickler):
    def find_class(self, module: str, name: str) -> Any:
        mine = module.startswith(("benchd.core.", "benchd.watchers.", "benchd.physics."))
        if not mine and (module, name) not in ALLOWED:
            raise pickle.UnpicklingError(f"{module}.{name} has no place in a checkpoint")
        found = super().find_class(module, name)
        if mine and not isinstance(found, type):
            raise pickle.UnpicklingError(f"{module}.{name} is no type")
        return found


def load_plain(blob: bytes) -> Any:
    """The object pickled in blob.  Raises pickle.UnpicklingError when it names anything but plain benchd state."""
    return _Plain(_Bytes(blob)).load()
