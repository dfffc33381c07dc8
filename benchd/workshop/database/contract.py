"""The contract of the shop's database, as gather and shop use it."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any, Protocol

from benchd.errors import BenchdError
from benchd.workshop.incoming import Batch


class DatabaseError(BenchdError):
    """The shop's database cannot be used; the text says why and what to do."""


class Unreachable(DatabaseError):
    """The database does not answer now: wait, and try again."""


class Database(Protocol):
    """PostgreSQL, or SQLite in the demo."""

    def prepare(self) -> None:
        """Bring the tables and views up to date.  Raises DatabaseError."""

    def write(self, batch: Batch) -> None:
        """Commit all of it.  Raises Unreachable, DatabaseError."""

    def rows(self, query: str, values: Mapping[str, Any] | None = None) -> list[dict[str, Any]]:
        """The rows of a query whose placeholders are written :name.  Raises Unreachable, DatabaseError."""

    def close(self) -> None:
        """Close the connection; may be called twice."""
