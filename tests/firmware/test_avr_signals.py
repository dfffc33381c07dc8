"""Do lamp and buzzer of a compiled board do what a line from the daemon says, and nothing on any other line?"""

from __future__ import annotations

import itertools
import zlib
from pathlib import Path

import pytest
from firmware.avr_runs import BOARDS, Board, Played, Row, needs_avr
from nearly import nearly

from benchd.core.intake.wire import Record, encode

pytestmark = needs_avr


def order(*, lamp: int | None = None, tone: str | None = None, tick: bool = False, board: str = "b1-") -> str:
    """An order as benchd's own encoder writes it, without its LF."""
    records: list[Record] = []
    records += [("lamp", lamp, None, None)] if lamp is not None else []
    records += [("tone", None, tone, None)] if tone is not None else []
    records += [("tick", 1, None, None)] if tick else []
    return encode(records, board=board).decode().removesuffix("\n")


def checked(text: str) -> str:
    """Any text with the right checksum behind it."""
    return f"{text} {zlib.crc32(text.encode()):08x}"


def play(board: Board, folder: Path, *orders: str, for_s: float = 4.0) -> Played:
    """Orders at 1, 1.001 ... s."""
    rows: list[Row] = [{"t_s": 0}, *({"t_s": 1 + k / 1000, "order": text} for k, text in enumerate(orders))]
    return board.play(folder, [*rows, {"t_s": 1 + for_s}])


def taken(played: Played) -> float:
    return played.values("orders")[-1]


def changes(played: Played, begin_s: float) -> list[tuple[float, int]]:
    return [(t_s, level) for t_s, level in played.lamp() if t_s >= begin_s]


def test_the_lamp_burns_until_told_otherwise(board: Board, tmp_path: Path) -> None:
    rows: list[Row] = [
        {"t_s": 0},
        {"t_s": 4.2, "order": order(lamp=1)},
        {"t_s": 7.7, "order": order(lamp=0)},
        {"t_s": 9},
    ]
    played = board.play(tmp_path, rows)
    assert [level for _, level in changes(played, 4.0)] == [1, 0]
    assert [t_s for t_s, _ in changes(played, 4.0)] == pytest.approx([4.21, 7.71], abs=0.015)
    assert taken(played) == 2


@pytest.mark.parametrize(("mode", "half_s"), [(2, 0.5), (3, 0.125)])
def test_the_lamp_blinks_slow_and_fast(board: Board, tmp_path: Path, mode: int, half_s: float) -> None:
    times = [t_s for t_s, _ in changes(play(board, tmp_path, order(lamp=mode)), 1.6)]
    gaps = [b - a for a, b in itertools.pairwise(times)]
    assert len(gaps) >= 5
    assert gaps == pytest.approx([half_s] * len(gaps), abs=0.006)


def test_a_tune_is_played_note_by_note_and_ends(board: Board, tmp_path: Path) -> None:
    tones = play(board, tmp_path, order(tone="880:200,0:100,1320:150,300:100,4000:50")).tones()
    assert [hz for _, hz, _ in tones] == pytest.approx([880, 1320, 300, 4000], rel=0.035)
    assert [ms for _, _, ms in tones] == pytest.approx([200, 150, 100, 50], abs=6)
    begins = [t_s - tones[0][0] for t_s, _, _ in tones]
    assert begins == pytest.approx([0.0, 0.3, 0.45, 0.55], abs=0.01)
    assert tones[0][0] == pytest.approx(1.01, abs=0.015)


def test_a_new_tune_ends_the_one_before(board: Board, tmp_path: Path) -> None:
    rows: list[Row] = [
        {"t_s": 0},
        {"t_s": 1, "order": order(tone="500:5000")},
        {"t_s": 2, "order": order(tone="1000:100")},
        {"t_s": 4},
    ]
    tones = board.play(tmp_path, rows).tones()
    assert [hz for _, hz, _ in tones] == pytest.approx([500, 1000], rel=0.035)
    assert [ms for _, _, ms in tones] == pytest.approx([1000, 100], abs=12)


def test_a_tick_is_a_soft_click_and_a_short_change_of_the_lamp(board: Board, tmp_path: Path) -> None:
    rows: list[Row] = [
        {"t_s": 0}, {"t_s": 1, "order": order(lamp=1)}, {"t_s": 2, "order": order(tick=True)},
        {"t_s": 3, "order": order(lamp=0)}, {"t_s": 4, "order": order(tick=True)}, {"t_s": 5},
    ]  # fmt: skip
    played = board.play(tmp_path, rows)
    assert [hz for _, hz, _ in played.tones()] == pytest.approx([2000, 2000], rel=0.035)
    assert all(ms <= 12 for _, _, ms in played.tones())
    expected = [(1.01, 1), (2.01, 0), (2.07, 1), (3.01, 0), (4.01, 1), (4.07, 0)]
    assert changes(played, 0.9) == [(nearly(t_s, abs=0.012), level) for t_s, level in expected]


def test_a_tick_ordered_in_a_tune_lets_the_tune_play_on(board: Board, tmp_path: Path) -> None:
    tones = play(board, tmp_path, order(tone="700:1000"), order(tick=True)).tones()
    assert [ms for _, _, ms in tones] == pytest.approx([1000], abs=6)


def test_the_documented_order_is_obeyed_as_documented(board: Board, tmp_path: Path) -> None:
    lines = (BOARDS / "README.md").read_text("utf-8").splitlines()
    [example] = [line.strip() for line in lines if line.strip().startswith('[{"bn":"b1-","n":"lamp"')]
    played = play(board, tmp_path, example)
    assert taken(played) == 1
    assert [hz for _, hz, _ in played.tones()] == pytest.approx([880, 1320], rel=0.035)
    assert example == order(lamp=1, tone="880:200,0:100,1320:200", tick=True)


REFUSED: dict[str, tuple[str, str]] = {
    "a wrong checksum": (order(lamp=1)[:-1] + ("0" if order(lamp=1)[-1] != "0" else "1"), "checksum"),
    "capitals in the checksum": (order(lamp=1)[:-8] + order(lamp=1)[-8:].upper(), "checksum"),
    "no checksum": ('[{"bn":"b1-","n":"lamp","v":1}]', "checksum"),
    "a lost byte": (order(lamp=1)[:20] + order(lamp=1)[21:], "checksum"),
    "another board's": (order(lamp=1, board="b2-"), "not understood"),
    "no such name": (checked('[{"bn":"b1-","n":"valve","v":1}]'), "not understood"),
    "no such lamp": (order(lamp=4), "not understood"),
    "a lamp below nothing": (checked('[{"bn":"b1-","n":"lamp","v":-1}]'), "not understood"),
    "a lamp too many digits": (checked('[{"bn":"b1-","n":"lamp","v":000001}]'), "not understood"),
    "a fraction of a lamp": (checked('[{"bn":"b1-","n":"lamp","v":1.0}]'), "not understood"),
    "a lamp twice": (checked('[{"bn":"b1-","n":"lamp","v":1},{"n":"lamp","v":1}]'), "not understood"),
    "a good and a bad record": (checked('[{"bn":"b1-","n":"lamp","v":1},{"n":"tone","vs":"9:9"}]'), "not understood"),
    "a tone too low": (order(tone="149:100"), "not understood"),
    "a tone too high": (order(tone="5001:100"), "not understood"),
    "a note without end": (order(tone="440:0"), "not understood"),
    "a note too long": (order(tone="440:5001"), "not understood"),
    "nine notes": (order(tone=",".join(["440:10"] * 9)), "not understood"),
    "words for a tune": (order(tone="alarm"), "not understood"),
    "a tick of two": (checked('[{"bn":"b1-","n":"tick","v":2}]'), "not understood"),
    "something behind": (checked('[{"bn":"b1-","n":"lamp","v":1}]x'), "not understood"),
    "spaces inside": (checked('[{"bn": "b1-", "n": "lamp", "v": 1}]'), "not understood"),
    "nothing inside": (checked("[]"), "not understood"),
    "too long": (checked('[{"bn":"b1-","n":"lamp","v":1}' + " " * 150 + "]"), "too long"),
}


def test_every_other_line_is_refused_whole_and_says_why(board: Board, tmp_path: Path) -> None:
    rows: list[Row] = [{"t_s": 0}]
    rows += [{"t_s": 1.5 + k, "order": text} for k, (text, _) in enumerate(REFUSED.values())]
    played = board.play(tmp_path, [*rows, {"t_s": len(REFUSED) + 5.5}])
    assert [c for c in played.comments if "order" in c] == [f"# order refused: {why}" for _, why in REFUSED.values()]
    assert taken(played) == 0
    assert played.tones() == []
    assert all(b - a == pytest.approx(0.06, abs=0.01) for (a, lit), (b, _) in flashes(played) if lit)


def flashes(played: Played) -> list[tuple[tuple[float, int], tuple[float, int]]]:
    lamp = played.lamp()
    return list(itertools.pairwise(lamp))


def test_a_good_order_is_obeyed_after_garbage_and_with_a_carriage_return(board: Board, tmp_path: Path) -> None:
    played = play(board, tmp_path, "x" * 700, "\x07" * 20, "", order(lamp=1) + "\r")
    assert taken(played) == 1
    assert changes(played, 1.0)[0][1] == 1


def test_orders_on_each_others_heels_are_all_obeyed(board: Board, tmp_path: Path) -> None:
    """Twenty lines without a pause, 0.9 kB: the wire never waits and no byte is lost beside the board's own lines."""
    played = play(board, tmp_path, *[order(lamp=k % 4, tick=k % 2 == 0) for k in range(20)], for_s=5)
    assert taken(played) == 20
    assert [c for c in played.comments if "order" in c] == []


def test_a_lamp_left_burning_goes_out_when_the_daemon_is_heard_no_more(board: Board, tmp_path: Path) -> None:
    """After half a minute without an order one flash of 60 ms each three seconds, as from boot on."""
    rows: list[Row] = [{"t_s": 0}, {"t_s": 4, "order": order(lamp=1)}, {"t_s": 44}]
    lamp = board.play(tmp_path, rows).lamp()
    before = [(t_s, level) for t_s, level in lamp if 0.004 < t_s < 4.0]
    assert before == [(nearly(t_s, abs=0.01), level) for t_s, level in [(0.006, 1), (0.06, 0), (3, 1), (3.06, 0)]]
    lit_s = next(t_s for t_s, level in lamp if t_s > 4.0 and level)
    dark_s = next(t_s for t_s, level in lamp if t_s > lit_s and not level)
    assert dark_s - lit_s == pytest.approx(30.0, abs=0.1)
    after = [t_s for t_s, level in lamp if t_s > dark_s and level]
    assert [b - a for a, b in itertools.pairwise(after)] == pytest.approx([3.0] * (len(after) - 1), abs=0.01)
    assert len(after) >= 2
