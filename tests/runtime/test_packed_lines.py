"""Do packed lines come back the very same, whatever stands in them?"""

from __future__ import annotations

import base64
import zlib

import pytest
from hypothesis import given
from hypothesis import strategies as st
from runtime.journal_fakes import T0

from benchd.core.model import Line, RawLine
from benchd.runtime.journal.packed_lines import pack, unpack

times = st.floats(0, 4e9)
texts = st.text(max_size=60)
lines = st.builds(Line, times, st.sampled_from(["b1", "b2"]), texts, st.sampled_from([None, "boards/b2"]))
raws = st.builds(RawLine, times, st.just("b1"), st.binary(max_size=30).map(lambda b: base64.b64encode(b).decode()))


@given(st.lists(st.one_of(lines, raws), min_size=1, max_size=30), st.integers(1, 10**12))
def test_whatever_was_packed_comes_back_equal(items: list[Line | RawLine], first: int) -> None:
    rows = [(first + 3 * index, item) for index, item in enumerate(items)]
    assert unpack(pack(rows)) == rows


@given(st.text(max_size=80))
def test_a_trailer_right_or_wrong_comes_back_as_it_was(body: str) -> None:
    crc = zlib.crc32(body.encode())
    for text in (f"{body} {crc:08x}", f"{body} {crc ^ 1:08x}", f"{body} {crc:08X}", f"{body} {crc:08x}\r"):
        assert unpack(pack([(1, Line(T0, "b1", text))])) == [(1, Line(T0, "b1", text))]


def test_a_damaged_block_says_so() -> None:
    block = bytearray(pack([(1, Line(T0, "b1", "x" * 500))]))
    block[len(block) // 2] ^= 0xFF
    with pytest.raises(ValueError, match="damaged block"):
        unpack(bytes(block))
