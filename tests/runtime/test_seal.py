"""Are the right stretches of time kept, in how much room, and is a minute what was read in it?"""

from __future__ import annotations

import zlib

from runtime.journal_fakes import T0

from benchd.core.model import Line, Quality, Reading
from benchd.runtime.journal.packed_lines import pack
from benchd.runtime.journal.rows import MinuteRow
from benchd.runtime.journal.seal import (
    LEAD_S,
    LONGEST_POUR_S,
    TAIL_S,
    MinuteBook,
    Phase,
    Span,
    busy_spans,
    open_since,
)


def board_lines(count: int) -> list[tuple[int, Line]]:
    """Two lines a second as two boards send them: noise in the last place, own seq, own up, a right trailer."""
    noise, rows = 12345, []
    for n in range(count):
        noise = (noise * 1103515245 + 12345) % 2**31  # Lehmer-type generator: repeatable noise without a seed elsewhere
        value = 23.0 + n / 100 + (noise >> 16) % 8 * 0.0625
        board = f"b{n % 2 + 1}"
        body = (
            f'[{{"bn":"{board}-","n":"cup","u":"Cel","v":{value:g}}},'
            f'{{"n":"cold","u":"Cel","v":{24 + noise % 3 * 0.0625}}},'
            f'{{"n":"seq","v":{n // 2}}},{{"n":"up","u":"s","v":{100 + n / 2 + noise % 9 / 1000:.3f}}}]'
        )
        rows.append((n + 1, Line(T0 + n / 2 + noise % 20000 / 1e6, board, f"{body} {zlib.crc32(body.encode()):08x}")))
    return rows


def test_a_year_of_casting_fits() -> None:
    """500 MB a year at 2 lines/s (the project's own aim), a load or pour open half of all hours."""
    rows = board_lines(4000)
    bytes_a_line = len(pack(rows)) / len(rows)
    year_mb = bytes_a_line * 2 * 365 * 86400 / 2 / 1e6
    assert year_mb < 430, f"{bytes_a_line:.1f} bytes a line"  # the rest is for minutes and findings


# ---------------------------------------------------------------------------------------------------------- spans


def phase(number: int, dt: float, name: str, of: str, since: float | None = None) -> Phase:
    return Phase(number, T0 + dt, name, of, T0 + (dt if since is None else since))


def test_overlapping_pours_and_loads_are_one_span() -> None:
    phases = [
        phase(1, 0, "pour_started", "a", since=-5), phase(2, 60, "pour_started", "b"),
        phase(3, 100, "load_closed", "l"), phase(4, 900, "pour_ended", "a"),
        phase(5, 1000, "load_opened", "l"), phase(6, 1200, "pour_ended", "b"),
        phase(7, 9000, "pour_started", "c"), phase(8, 9600, "pour_ended", "c"),
    ]  # fmt: skip
    assert busy_spans(phases, T0 + 20000) == [
        Span(T0 - 5 - LEAD_S, T0 + 1200 + TAIL_S, 6),
        Span(T0 + 9000 - LEAD_S, T0 + 9600 + TAIL_S, 8),
    ]


def test_what_never_ended_is_ended_after_the_longest_pour() -> None:
    lost = phase(1, 0, "pour_started", "a")
    assert busy_spans([lost], T0 + 100) == [Span(T0 - LEAD_S, T0 + 100 + TAIL_S, 1)]
    later = [phase(2, 2 * LONGEST_POUR_S, "pour_started", "b"), phase(3, 2 * LONGEST_POUR_S + 9, "pour_ended", "b")]
    assert [span.number for span in busy_spans([lost, *later], T0 + 3 * LONGEST_POUR_S)] == [1, 3]


def test_an_end_without_a_beginning_is_no_span() -> None:
    assert busy_spans([phase(1, 0, "pour_ended", "a")], T0) == []


def test_open_since_is_the_oldest_mix_still_open() -> None:
    phases = [
        phase(1, 10, "pour_started", "a", since=3),
        phase(2, 20, "pour_started", "b"),
        phase(3, 30, "pour_ended", "a"),
    ]
    assert open_since(phases[:2]) == T0 + 3
    assert open_since(phases) == T0 + 20
    assert open_since([*phases, phase(4, 40, "pour_ended", "b")]) is None


# -------------------------------------------------------------------------------------------------------- minutes


def reading(dt: float, value: float | None, quality: Quality = Quality.GOOD) -> Reading:
    return Reading(T0 + dt, "cup-1-temperature", "cup_temperature", "cup-1", value, value, quality)


def test_a_minute_is_given_when_the_next_begins() -> None:
    book = MinuteBook()
    start = 60 - T0 % 60
    values = [(0, 20.0), (10, 22.0), (59.9, 27.0)]
    assert [book.add(reading(start + dt, value)) for dt, value in values] == [None] * 3
    assert book.add(reading(start + 60, 30.0)) == MinuteRow(
        "cup-1-temperature", int((T0 + start) // 60), 3, 20.0, 23.0, 27.0
    )
    assert book.rest() == [MinuteRow("cup-1-temperature", int((T0 + start + 60) // 60), 1, 30.0, 30.0, 30.0)]
    assert book.rest() == []


def test_only_good_finite_values_count() -> None:
    book = MinuteBook()
    for value, quality in ((None, Quality.FAULT), (20.0, Quality.SUSPECT), (float("nan"), Quality.GOOD)):
        book.add(reading(0, value, quality))
    assert book.rest() == []
