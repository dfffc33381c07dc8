"""The short tags that name types in a checkpoint; a type without one cannot be stored in it.

A tag is declared beside its class and never derived from the class's module, so a file can move without making old
checkpoints unreadable.  `core/state/` writes and reads them.
"""

from __future__ import annotations

import re
from collections.abc import Callable
from typing import TypeVar

T = TypeVar("T", bound=type)

TYPES: dict[str, type] = {}
"""Tag -> type."""
TAGS: dict[type, str] = {}
"""Type -> tag."""
_TAG = re.compile(r"[a-z0-9_-]{1,32}")


def stored(tag: str) -> Callable[[T], T]:
    """Class decorator: instances may be kept in a checkpoint, named `tag` there.

    Put it outermost: above @dataclass(slots=True), which makes a new class.  Raises ValueError for a tag that is
    malformed or names another class already.

    >>> @stored("example")
    ... class Example: ...
    >>> TYPES["example"] is Example
    True
    """

    def keep(cls: T) -> T:
        other = TYPES.get(tag, cls)
        is_same = (other.__module__, other.__qualname__) == (cls.__module__, cls.__qualname__)  # reimported
        if not _TAG.fullmatch(tag) or not is_same:
            raise ValueError(f"{cls.__qualname__}: tag {tag!r} is malformed or taken")
        TYPES[tag], TAGS[cls] = cls, tag
        return cls

    return keep
