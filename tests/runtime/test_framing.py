"""Are lines cut out of a byte stream whole and in order, however it is broken, in bounded memory?"""

from __future__ import annotations

import sys
import tracemalloc
from itertools import pairwise

import pytest
from hypothesis import given
from hypothesis import strategies as st

from benchd.runtime.serial.framing import COMMENTS_KEPT, LineFramer

LIMIT = 20
ODD = (b"", b"\r", b"# boot", b"x" * LIMIT + b"\r")


def plain_lines(stream: bytes) -> list[bytes]:
    """What the lines of a stream are, said the slow way: the oracle of the tests below."""
    lines = [part.removesuffix(b"\r") for part in stream.split(b"\n")[:-1]]
    return [x for x in lines if x and not x.startswith(b"#") and len(x) <= LIMIT]


@given(
    st.lists(
        st.binary(max_size=2 * LIMIT) | st.sampled_from([b"", b"\r", b"# boot", b"x" * LIMIT + b"\r"]), max_size=12
    ),
    st.lists(st.integers(0, 300), max_size=12),
)
def test_lines_do_not_depend_on_where_reads_end(parts: list[bytes], cuts: list[int]) -> None:
    """Any stream, read in any pieces, gives the lines that a plain split gives."""
    stream = b"\n".join(parts)
    framer = LineFramer(LIMIT)
    edges = [0, *sorted(min(c, len(stream)) for c in cuts), len(stream)]
    got = [line for a, b in pairwise(edges) for line in framer.feed(stream[a:b])]
    assert got == plain_lines(stream)


@pytest.mark.parametrize(
    ("stream", "lines", "too_long"),
    [
        (b"one\ntwo\r\nthr", [b"one", b"two"], 0),
        (b"\n\r\n\n", [], 0),
        (b"a\rb\n", [b"a\rb"], 0),
        (b"a\r\r\n", [b"a\r"], 0),
        (b"x" * LIMIT + b"\n", [b"x" * LIMIT], 0),
        (b"x" * LIMIT + b"\r\n", [b"x" * LIMIT], 0),
        (b"x" * (LIMIT + 1) + b"\nok\n", [b"ok"], 1),
        (b"x" * 5000 + b"\nok\n" + b"y" * 5000 + b"\nok\n", [b"ok", b"ok"], 2),
    ],
)
def test_limits_and_line_ends(stream: bytes, lines: list[bytes], too_long: int) -> None:
    """One CR before the LF goes; the limit counts neither; longer input is dropped up to the next LF, counted once."""
    for step in (1, 7, len(stream)):
        framer = LineFramer(LIMIT)
        got = [x for at in range(0, len(stream), step) for x in framer.feed(stream[at : at + step])]
        assert (got, framer.too_long) == (lines, too_long)


def test_comments_stand_apart_and_are_bounded() -> None:
    """Boot banners are no lines; the last few are kept."""
    framer = LineFramer()
    assert framer.feed(b"# mix cup probe 1.2\r\n# reset: brown-out\n[1]\n") == [b"[1]"]
    assert list(framer.comments) == [b"# mix cup probe 1.2", b"# reset: brown-out"]
    for number in range(1000):
        framer.feed(b"# %d\n" % number)
    assert len(framer.comments) == COMMENTS_KEPT
    assert framer.comments[-1] == b"# 999"


def test_an_endless_line_takes_no_memory() -> None:
    """50 MB without a line end are counted as one line too long, and the next line is whole."""
    framer = LineFramer()
    piece = b"z" * 65_536
    tracemalloc.start()
    try:
        got = [line for _ in range(800) for line in framer.feed(piece)]
        held, peak = tracemalloc.get_traced_memory()
    finally:
        tracemalloc.stop()
    assert got == []
    assert peak < 4 * len(piece)
    assert held < 8192
    assert framer.feed(b"\nnext\n") == [b"next"]
    assert framer.too_long == 1


def test_bulk_is_not_cut_byte_by_byte() -> None:
    """A megabyte in one piece costs a few calls a line, not a call a byte."""
    stream = b'[{"n":"cup","u":"Cel","v":23.1}] 0123abcd\n' * 25_000
    calls = 0

    def count(_frame: object, event: str, _arg: object) -> None:
        nonlocal calls
        calls += event in ("call", "c_call")

    framer = LineFramer()
    sys.setprofile(count)
    try:
        lines = framer.feed(stream)
    finally:
        sys.setprofile(None)
    assert len(lines) == 25_000
    assert calls < 6 * len(lines)
