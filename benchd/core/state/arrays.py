"""Writes arrays and runs of floats as bytes: like bytes together, and half of a symmetric matrix."""

from __future__ import annotations

import math
from typing import Any

import numpy as np

from benchd.core.state.errors import StateError

DTYPES = ("<f8", "<f4", "<i8", "|b1")


def write_array(value: np.ndarray[Any, Any], _: Any) -> Any:
    """The plain form of an array: [dtype, shape, is half of it enough, bytes].  Raises StateError on another dtype."""
    if value.dtype.str not in DTYPES:
        raise StateError(f"an array of {value.dtype} has no place in a state")
    turned = _turned(value)
    is_half = turned.ndim >= 2 and bool((turned == turned.swapaxes(0, 1)).all())
    part = turned[np.triu_indices(len(turned))] if is_half else value
    return [value.dtype.str, list(value.shape), is_half, bytes_apart(part, value.dtype.itemsize)]


def _turned(value: np.ndarray[Any, Any]) -> np.ndarray[Any, Any]:
    """A view with two equally long axes in front, the first two or the last two; one axis only where there are none."""
    shape = value.shape
    if value.ndim >= 2 and shape[0] == shape[1] > 1:
        return value
    if value.ndim >= 3 and shape[-1] == shape[-2] > 1:
        return np.moveaxis(value, (-2, -1), (0, 1))
    return value.reshape(-1)


def bytes_apart(values: np.ndarray[Any, Any], width: int) -> bytes:
    """All first bytes, then all second ones, and so on: similar bytes end up together, which packs well."""
    return np.ascontiguousarray(values).view(np.uint8).reshape(-1, width).T.tobytes()


def bytes_together(data: bytes, dtype: str) -> np.ndarray[Any, Any]:
    """The flat array `bytes_apart` wrote."""
    width = np.dtype(dtype).itemsize
    return np.ascontiguousarray(np.frombuffer(data, np.uint8).reshape(width, -1).T).reshape(-1).view(dtype)


def read_array(plain: Any, _: Any) -> np.ndarray[Any, Any]:
    """The array `write_array` wrote.  Raises StateError."""
    match plain:
        case [str(dtype), list(shape), bool(is_half), bytes(data)] if dtype in DTYPES:
            if not all(type(n) is int and n >= 0 for n in shape):
                raise StateError("an array's shape is no list of lengths")
            try:
                flat = bytes_together(data, dtype)
                return _mirrored(flat, shape) if is_half else flat.reshape(shape)
            except (ValueError, IndexError) as error:
                raise StateError(f"array: {error}") from None
    raise StateError(f"{plain!r:.40} is no array")


def _mirrored(half: np.ndarray[Any, Any], shape: list[int]) -> np.ndarray[Any, Any]:
    """The whole of an array whose upper half was kept."""
    whole = np.empty(shape, half.dtype) if math.prod(shape) <= 2 * len(half) else half.reshape(shape)
    turned = _turned(whole)
    rows, columns = np.triu_indices(len(turned))
    part = half.reshape(len(rows), *turned.shape[2:])
    turned[rows, columns] = part
    turned[columns, rows] = part
    return whole
