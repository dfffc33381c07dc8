"""Checks that what a page sent is a JSON object with known keys, and names the field that is wrong."""

from __future__ import annotations

import json
from collections.abc import Collection
from typing import Any


class NotUnderstood(ValueError):
    """A request whose `field` is wrong; the text says why."""

    def __init__(self, field: str, why: str) -> None:
        super().__init__(why)
        self.field = field


def json_object(body: bytes, keys: Collection[str]) -> dict[str, Any]:
    """The body as an object of these keys.  Raises NotUnderstood."""
    try:
        parsed = json.loads(body)
    except (ValueError, RecursionError):
        raise NotUnderstood("body", "the body is not JSON") from None
    if not isinstance(parsed, dict):
        raise NotUnderstood("body", "the body is not a JSON object")
    unknown = [key for key in parsed if key not in keys]
    if unknown:
        raise NotUnderstood(unknown[0][:40], f"no such key; there are {', '.join(keys)}")
    return parsed
