"""Opens a journal for reading, with an error or a default value when there is none."""

from __future__ import annotations

from collections.abc import Awaitable, Callable
from pathlib import Path
from typing import TypeVar

from benchd.errors import JournalError
from benchd.runtime.journal.journal import Journal

Answer = TypeVar("Answer")


def there(path: Path) -> Path:
    """The path, if a journal exists there.  Raises JournalError otherwise."""
    if not path.exists():
        raise JournalError(f"{path}: no journal there; `benchd run` writes one")
    return path


def to_read(path: Path) -> Journal:
    """A journal for `async with`, for reading only.  Raises JournalError when there is none."""
    return Journal(there(path), read_only=True)


async def asked(path: Path, ask: Callable[[Journal], Awaitable[Answer]], otherwise: Answer) -> Answer:
    """The answer of `ask` from a journal; `otherwise` where there is none, or it cannot be read."""
    try:
        async with to_read(path) as journal:
            return await ask(journal)
    except JournalError:
        return otherwise
