"""What may the page ask of the shelf's file, and what does it hear?  The contract between page and settings."""

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
    """One change of one [[mold]] or [[lot]]; keys as typed, "" takes one away; digest of the file looked at."""

    action: Action
    kind: Literal["mold", "lot"]
    code: str
    digest: str
    keys: Mapping[str, str]


class ShelfRefused(BenchdError):
    """The shelf stands as it was.

    status: 400 something typed is wrong, 409 the file was changed since, 503 it cannot be read or written.
    errors: (key, what is wrong with it and what to do), "" where no key of the entry is meant.
    """

    def __init__(self, status: Literal[400, 409, 503], errors: Sequence[tuple[str, str]]) -> None:
        self.status, self.errors = status, tuple(errors)
        super().__init__("; ".join(f"{key}: {why}" if key else why for key, why in errors))


class ShelfDesk(Protocol):
    """Who reads and writes the file; both block, and raise ShelfRefused."""

    def read(self) -> dict[str, Any]:
        """The file as a form shows it: digest, file (its name), molds, lots (key -> text), keys (their forms)."""
        ...

    def write(self, edit: ShelfEdit) -> str:
        """Make one change; the new digest."""
        ...
