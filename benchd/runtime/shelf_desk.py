"""The contract between page and settings for reading and editing the shelf's file."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any, Literal, Protocol

from benchd.errors import BenchdError

Action = Literal["add", "change", "retire", "restore"]
ACTIONS: tuple[Action, ...] = ("add", "change", "retire", "restore")
KINDS = ("mold", "lot")


@dataclass(frozen=True, slots=True, kw_only=True)
class ShelfEdit:
    """One change of one [[mold]] or [[lot]]: keys as typed, "" deletes one; digest of the file it was based on."""

    action: Action
    kind: Literal["mold", "lot"]
    code: str
    digest: str
    keys: Mapping[str, str]


class ShelfRefused(BenchdError):
    """The change was refused; the shelf is unchanged.

    status: 400 something typed is wrong, 409 the file was changed meanwhile, 503 it cannot be read or written.
    errors: (key, what is wrong and what to do), "" where no key of the entry is meant.
    """

    def __init__(self, status: Literal[400, 409, 503], errors: Sequence[tuple[str, str]]) -> None:
        self.status, self.errors = status, tuple(errors)
        super().__init__("; ".join(f"{key}: {why}" if key else why for key, why in errors))


class ShelfDesk(Protocol):
    """Reads and writes the file; both methods block, and raise ShelfRefused."""

    def read(self) -> dict[str, Any]:
        """The file as shown in a form: digest, file (its name), molds, lots (key -> text), keys (their forms)."""
        ...

    def write(self, edit: ShelfEdit) -> str:
        """Make one change; returns the new digest."""
        ...
