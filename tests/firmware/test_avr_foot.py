"""Are presses of a compiled board's foot switch debounced, told apart, counted and sent at once?"""

from __future__ import annotations

from pathlib import Path

import pytest
from firmware.avr_runs import Board, Played, Row, needs_avr

from benchd.core.intake.board_counts import PressCounter

pytestmark = needs_avr

AT_ONCE_S = 0.06  # debounce 20 ms, a slot of 5 ms, and at most one line (20 ms) already on the wire


def told(played: Played) -> list[tuple[float, str]]:
    """(up, kind) of each press as the engine's own counter finds them."""
    counter = PressCounter()
    return [(line.up or 0.0, kind) for line in played.lines if line.presses for kind in counter.see(line.presses)]


def press(board: Board, folder: Path, *presses: str, bounce_ms: int = 4) -> list[tuple[float, str]]:
    """What is told of presses at 2, 5, 8 ... s."""
    rows: list[Row] = [{"t_s": 0}, *({"t_s": 2 + 3 * k, "press_s": p} for k, p in enumerate(presses))]
    return told(board.play(folder, [*rows, {"t_s": 3 * len(presses) + 2}], "--bounce-ms", str(bounce_ms)))


def test_a_mix_of_presses_comes_through_as_it_was_trodden(board: Board, tmp_path: Path) -> None:
    kinds = press(board, tmp_path, "0.15", "1.0", "0.12+0.15+0.12", "0.3", "2.0", "0.1+0.3+0.9", "0.15", bounce_ms=12)
    assert [kind for _, kind in kinds] == ["short", "long", "double", "short", "long", "double", "short"]


@pytest.mark.parametrize(
    ("trodden", "kind", "due_s"),
    [
        ("0.15", "short", 0.15 + 0.35),  # known short once no second tread can follow
        ("1.5", "long", 0.6),  # while still held
        ("0.12+0.2+0.12", "double", 0.12 + 0.2),  # at the second tread
    ],
)
def test_each_press_is_sent_at_once(board: Board, tmp_path: Path, trodden: str, kind: str, due_s: float) -> None:
    [(at_s, found)] = press(board, tmp_path, trodden)
    assert found == kind
    assert 2 + due_s <= at_s <= 2 + due_s + AT_ONCE_S


@pytest.mark.parametrize(
    ("trodden", "kinds"),
    [
        ("0.56", ["short"]),
        ("0.64", ["long"]),
        ("0.2+0.30+0.2", ["double"]),
        ("0.2+0.42+0.2", ["short", "short"]),
        ("0.012", []),  # shorter than any foot: a knock, or the compressor's relay
        ("0.2+0.012+0.2", ["short"]),  # contacts that lifted for a moment
    ],
)
def test_the_bounds_between_kinds_are_where_they_are_said_to_be(
    board: Board, tmp_path: Path, trodden: str, kinds: list[str]
) -> None:
    assert [kind for _, kind in press(board, tmp_path, trodden)] == kinds


def test_a_foot_already_down_at_boot_is_no_press(board: Board, tmp_path: Path) -> None:
    rows: list[Row] = [{"t_s": 0, "press_s": "3.0"}, {"t_s": 4, "press_s": "0.15"}, {"t_s": 6}]
    assert [kind for _, kind in told(board.play(tmp_path, rows))] == ["short"]


def test_a_board_that_resets_while_the_foot_is_down_counts_no_press_either(board: Board, tmp_path: Path) -> None:
    """Its counts begin at zero again, and that is the new base."""
    rows: list[Row] = [
        {"t_s": 0}, {"t_s": 1, "press_s": "0.15"}, {"t_s": 3, "press_s": "2.0"}, {"t_s": 3.2, "fault": "board:reset"},
        {"t_s": 7, "press_s": "0.9"}, {"t_s": 9},
    ]  # fmt: skip
    played = board.play(tmp_path, rows)
    after = played.lines[next(k for k, line in enumerate(played.lines) if k and line.seq == 0) :]
    counts = [dict(line.presses) for line in after if line.presses]
    assert counts[0] == {"short": 0, "long": 0, "double": 0}
    assert counts[-1] == {"short": 0, "long": 1, "double": 0}
