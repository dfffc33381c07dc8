"""Decompresses zlib data up to a size limit: a few kilobytes of a tampered file can expand to gigabytes."""

from __future__ import annotations

import zlib


def expand(packed: bytes, most_bytes: int, what: str) -> bytes:
    """The decompressed data.  Raises ValueError naming `what` when it is damaged, or longer than `most_bytes`."""
    unpacker = zlib.decompressobj()
    try:
        whole = unpacker.decompress(packed, most_bytes)
        is_more = not unpacker.eof and bool(unpacker.decompress(unpacker.unconsumed_tail, 1))
    except zlib.error as error:
        raise ValueError(f"damaged {what}: {error}") from error
    if is_more:
        raise ValueError(f"damaged {what}: it holds more than {most_bytes} bytes")
    if not unpacker.eof:
        raise ValueError(f"damaged {what}: its end is missing")
    return whole
