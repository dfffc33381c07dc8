"""Does a whole pour, half an hour of readings, come through a compiled board as it was?"""

from __future__ import annotations

import bisect
from pathlib import Path
from statistics import mean

import pytest
from firmware.avr_pours import load_1, presses, rows_of
from firmware.avr_runs import AVR_BOARDS, PSI_PA, Board, Played, Row, needs_avr
from firmware.test_avr_foot import told
from nearly import nearly
from some_of import some_of

from benchd.core.intake.board_counts import RUN, SeqCounter

pytestmark = needs_avr

POUR_S = 1800.0
RESET_S, OPEN_S, MENDED_S, NACK_S, BACK_S, LOST_S = 700.1, 400.1, 410.1, 500.1, 520.1, 600.1
TROUBLE: list[Row] = [
    {"t_s": OPEN_S, "fault": "cup:open"}, {"t_s": MENDED_S, "fault": "cup:ok"},
    {"t_s": NACK_S, "fault": "room:nack"}, {"t_s": BACK_S, "fault": "room:ok"},
    {"t_s": LOST_S, "fault": "line:lose"}, {"t_s": RESET_S, "fault": "board:reset"},
    {"t_s": 1000, "press_s": "0.15"}, {"t_s": 1003, "press_s": "0.15+0.2+0.15"}, {"t_s": 1006, "press_s": "0.9"},
]  # fmt: skip


def worst(played: Played, rows: list[Row], name: str, column: str, scale: float = 1.0, lag_s: float = 0.0) -> float:
    """The largest distance of what was told from what the sensor was given, at its time."""
    given = [row for row in rows if column in row]
    times = [float(row["t_s"]) for row in given]
    found = 0.0
    for up, value in played.series(name):
        at = max(bisect.bisect_right(times, up - lag_s + 0.002) - 1, 0)
        near = [float(given[k][column]) for k in range(max(at - 1, 0), min(at + 2, len(given)))]
        found = max(found, min(abs(value / scale - v) for v in near))
    return found


@pytest.mark.wide
@pytest.mark.parametrize("board", some_of(AVR_BOARDS, 1), indirect=True)
def test_a_whole_pour_comes_through_faster_than_life(board: Board, tmp_path: Path) -> None:
    scenario = load_1()
    rows, rehearsal = rows_of(scenario, [])
    assert rows[-1]["t_s"] == POUR_S
    played = board.play(tmp_path, rows)
    assert played.stats["wall_s"] < POUR_S / 20
    assert len(played.values("cup")) == pytest.approx(POUR_S * 4, abs=2)
    assert [line.seq for line in played.lines] == list(range(len(played.lines)))
    assert worst(played, rows, "cup", "cup_c") <= 0.125 + 0.01  # half of the amplifier's step
    assert worst(played, rows, "pot", "pot_psi", PSI_PA) <= 0.02
    assert worst(played, rows, "room", "room_c", lag_s=0.5) <= 0.01
    assert worst(played, rows, "rh", "rh_pct", lag_s=0.5) <= 0.02
    (kick_s,) = rehearsal.truth.kick_s
    assert kick_s is not None
    rise = [v for up, v in played.series("cup") if kick_s <= up <= kick_s + 60]
    assert max(rise) > 60 > mean(v for up, v in played.series("cup") if up < 60)
    kinds = [(at_s, kind) for at_s, kind in told(played)]
    assert [kind for _, kind in kinds] == [kind for _, kind in presses(scenario)]
    assert all(0 < at_s - begun_s < 1.0 for (at_s, _), (begun_s, _) in zip(kinds, presses(scenario), strict=True))
    assert played.stats["busy_pct"] <= 5.0
    assert played.stats["resets"] == 0


@pytest.mark.soak
def test_a_pour_with_everything_going_wrong_is_told_as_just_that(board: Board, tmp_path: Path) -> None:
    rows, _ = rows_of(load_1(1100.0), TROUBLE)
    played = board.play(tmp_path, rows)
    counter = SeqCounter()
    news = [counter.see(line.seq, line.up) for line in played.lines]
    assert (counter.lost, counter.resets) == (1, 1)
    cut = next(k for k in range(1, len(news)) if (played.lines[k].up or 0.0) < (played.lines[k - 1].up or 0.0))
    assert cut < next(k for k, one in enumerate(news) if one.reset) <= cut + RUN
    lost_at = next(k for k, one in enumerate(news) if one.lost)
    assert played.lines[lost_at].up == pytest.approx(LOST_S + 0.4, abs=0.1)
    assert played.lines[cut - 1].up == pytest.approx(RESET_S, abs=0.26)
    assert played.comments[-1] == "# reset: reset pin"
    broken = [line.up or 0.0 for line in played.lines if line.fault == "cup open"]
    assert (len(broken), broken[0]) == (40, nearly(OPEN_S + 0.15, abs=0.1))
    gone = [line.up or 0.0 for line in played.lines if line.fault == "room nack; rh nack"]
    assert len(gone) == pytest.approx(20, abs=1)
    after = told(Played(played.stats, [r for r in played.raw if r.startswith("[")][cut:], []))
    assert [kind for _, kind in after] == ["short", "double", "long"]
    assert counter.repeats == 0
