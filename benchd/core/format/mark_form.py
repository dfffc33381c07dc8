"""Writes a mark, and reads one from a recording or from outside: its keys, their types, what is refused."""

from __future__ import annotations

import re
from dataclasses import fields, replace
from typing import Any

from benchd.core.format.plain_text import unprintable_in
from benchd.core.model import MOST_MOLDS, PRESS_IDS, Input, Mark
from benchd.core.units import Dimension, QuantityError, plain_or_written
from benchd.errors import DecodeError, did_you_mean

MARK_FIELDS = {f.name: f for f in fields(Mark)}
_NUMBER_KEYS = ("ttl_s", "a_g", "b_g", "mold_c", "shelve_s")
_DIMENSION_OF: dict[str, tuple[Dimension, str]] = {"g": ("mass", "g"), "c": ("temperature", "C"), "s": ("time", "s")}


PICTURES = ("jpg", "jpeg", "png", "heic", "heif", "webp", "gif", "tif", "tiff", "dng")
_PICTURE = re.compile(rf"[^\W_][^/\\:*?\"<>|]{{0,95}}\.(?:{'|'.join(PICTURES)})", re.IGNORECASE)
"""A picture's file name: no folder, nothing hidden, an ending of pictures.  benchd opens no such file."""


def mark_body(mark: Mark) -> dict[str, Any]:
    """A mark's keys that have values, without its time."""
    body = {name: getattr(mark, name) for name in MARK_FIELDS if name != "t"}
    return {k: (list(v) if isinstance(v, tuple) else v) for k, v in body.items() if v not in (None, "", ())}


def raised(item: Input, t: float) -> Input:
    """An input in the order it came, where its own time is older than t; a mark keeps when it happened."""
    if isinstance(item, Mark):
        return replace(item, t=t, at=item.t if item.at is None else item.at)
    return replace(item, t=t)


def happened(mark: Mark) -> Mark:
    """A mark with the time it happened, where it came later."""
    return mark if mark.at is None else replace(mark, t=min(mark.at, mark.t), at=None)


def mark_from_body(t: float, body: dict[str, Any]) -> Mark:
    """A mark from a recording or from outside.  Raises DecodeError on an unknown key or a value of the wrong type."""
    unknown = [k for k in body if k not in MARK_FIELDS or k == "t"]
    if unknown:
        remedy = did_you_mean(unknown[0], MARK_FIELDS)
        raise DecodeError("mark-key", f"unknown key {unknown[0]!r}" + (f"; {remedy}" if remedy else ""))
    clean: dict[str, Any] = {}
    for key, value in body.items():
        clean[key] = _happened(value) if key == "at" else _mark_value(key, value)
    if not isinstance(clean.get("verb"), str):
        raise DecodeError("mark-verb", "a mark needs a verb")
    return Mark(t=t, **clean)


def mark_from_outside(t: float, body: dict[str, Any]) -> Mark:
    """A mark from outside: as `mark_from_body`, but text that could control a terminal or reverse a line is refused.

    Marks of a recording or a journal were accepted before and stay as they were.  Raises DecodeError naming the key.
    """
    if "at" in body:
        raise DecodeError("mark-key", "unknown key 'at'; write when it happened as t")
    mark = mark_from_body(t, {key: _with_unit(key, value) for key, value in body.items()})
    for key in body:
        value = getattr(mark, key)
        for text in value if isinstance(value, tuple) else (value,):
            sign = unprintable_in(text) if isinstance(text, str) else None
            if sign is not None:
                raise DecodeError("mark-value", f"{key} holds {sign}, a control character; leave it out")
    if mark.picture is not None and (_PICTURE.fullmatch(mark.picture) is None or ".." in mark.picture):
        raise DecodeError("mark-value", "picture must be a picture's file name without its folder, as heron-legs.jpg")
    if mark.id.startswith(PRESS_IDS):
        raise DecodeError("mark-value", f"id begins with {PRESS_IDS}, as the foot switch's own do; choose another")
    if len(mark.molds) > MOST_MOLDS:
        what = f"{len(mark.molds)} molds in one mix are too many"
        raise DecodeError("mark-value", f"{what}, at most {MOST_MOLDS}; mark each cup's own")
    return mark


def _with_unit(key: str, value: Any) -> Any:
    """A number in the key's unit from a text such as "159 g".  Raises DecodeError."""
    if key not in _NUMBER_KEYS or not isinstance(value, str):
        return value
    dimension, unit = _DIMENSION_OF[key[-1]]
    try:
        return plain_or_written(value, dimension, unit)
    except QuantityError as error:
        raise DecodeError("mark-value", f"{key}: {error}") from error


def _happened(value: Any) -> float:
    """When a mark of a recording happened, where it came later."""
    if isinstance(value, bool) or not isinstance(value, int | float) or not 0 <= value < 1e11:
        raise DecodeError("mark-value", "at must be unix seconds")
    return float(value)


def _mark_value(key: str, value: Any) -> Any:
    if key == "molds":
        if not isinstance(value, list) or not all(isinstance(m, str) for m in value):
            raise DecodeError("mark-value", "molds must be a list of mold codes")
        return tuple(value)
    if key in _NUMBER_KEYS:
        if isinstance(value, bool) or not isinstance(value, int | float):
            raise DecodeError("mark-value", f"{key} must be a number")
        if not -1e9 < value < 1e9:
            raise DecodeError("mark-value", f"{key} is out of range")
        return float(value)
    if not isinstance(value, str) or len(value) > 500:
        raise DecodeError("mark-value", f"{key} must be a short text")
    return value
