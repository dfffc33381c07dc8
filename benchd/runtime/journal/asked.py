"""A journal opened to be read: it must be there, or an answer without it must do."""

from __future__ import annotations

from collections.abc import Awaitable, Callable
from pathlib import Path
from typing import TypeVar

from benchd.errors import JournalError
from benchd.runtime.journal.journal import Journal

Answer = TypeVar("Answer")


def there(path: Path) -> Path:
    """The path of a journal that exists.  Raises JournalError."""
    if not path.exists():
        raise JournalError(f"{path}: no journal there; `benchd run` writes one")
    return path


def to_read(path: Path) -> Journal:
    """A journal to be opened with `async with`, for reading only.  Raises JournalError when it is not there."""
    return Journal(there(path), read_only=True)


async def asked(path: Path, ask: Callable[[Journal], Awaitable[Answer]], otherwise: Answer) -> Answer:
    """What `ask` finds in a journal; `otherwise` where there is none, or none that can be read."""
    try:
        async with to_read(path) as journal:
            return await ask(journal)
    except JournalError:
        return otherwise
