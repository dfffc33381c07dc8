"""`benchd demo`: a whole simulated bench over a real serial device, its words and its sums as a caster reads them."""

from __future__ import annotations

import os
import re
import signal
import subprocess
import sys
import time
import urllib.error
import urllib.request
from pathlib import Path
from types import SimpleNamespace

import pytest

from benchd import cli
from benchd.commands.demo import SPOKEN_S, SPOKEN_SPEED, Demo
from benchd.commands.demo import clock as demo_clock
from benchd.commands.demo.clock import LAG_S, Leash, PacedClock, Words
from benchd.commands.demo.screen import said_by_hand
from benchd.commands.demo.summary import day_lines
from benchd.core.model import Subject, Utterance
from benchd.plugins import load_settings
from benchd.rehearsal import load_scenario
from benchd.rehearsal.acts import typed_mark
from benchd.rehearsal.pace import Pace

CONFIG = Path(__file__).parents[2] / "config" / "bench.toml"


def played(*arguments: str, timeout_s: float = 110.0) -> subprocess.CompletedProcess[str]:
    command = [sys.executable, "-m", "benchd", "demo", *arguments]
    return subprocess.run(command, capture_output=True, text=True, timeout=timeout_s)


@pytest.mark.timeout(120)
def test_one_load_is_played_to_its_end_with_marks_words_and_sums(tmp_path: Path) -> None:
    """Load 1, poured at 09:40 by its script; its resin by hand: 303 g = 214 ml and 43 ml of 1.07 g/ml, and the cup."""
    done = played("--load", "1", "--speed", "200", "--keep", str(tmp_path / "kept"))
    assert done.returncode == 0, done.stderr
    assert re.search(
        r"^09:40:0\d        caster mix: R-07, M02, M03, M06, M01, A 159.5 g, B 143.5 g$", done.stdout, re.M
    )
    assert re.search(r"^\d\d:\d\d:\d\d +(phone  \(\w+\)|   ) \"At pressure\.\"$", done.stdout, re.M)
    assert "casts         4 = 4 good" in done.stdout
    assert "resin         303 g = 229 parts + 46 gates + 28 cup" in done.stdout
    kick = re.search(r"kick +(\d):(\d\d) \(simulated: 3:02\)", done.stdout)
    assert kick is not None
    assert abs(60 * int(kick[1]) + int(kick[2]) - 182) <= 12
    assert "board gone" not in done.stdout
    assert "silent" not in done.stdout
    assert done.stderr == ""
    assert (tmp_path / "kept" / "journal.db").exists()


def is_well(page: str) -> bool:
    """Does /healthz answer 200 within ten seconds?"""
    for _ in range(50):
        try:
            with urllib.request.urlopen(f"{page}healthz", timeout=10.0) as answer:
                if answer.status == 200:
                    return True
        except urllib.error.HTTPError:
            time.sleep(0.2)
    return False


@pytest.mark.wide
@pytest.mark.timeout(120)
def test_the_page_stays_open_until_interrupted() -> None:
    command = [sys.executable, "-m", "benchd", "demo", "--load", "1", "--until", "30", "--stay"]
    with subprocess.Popen(command, stdout=subprocess.PIPE, text=True) as demo:
        assert demo.stdout is not None
        try:
            page = ""
            for line in demo.stdout:
                if found := re.match(r"The page stays open at (\S+) until Ctrl-C\.", line):
                    page = found[1]
                    break
            assert page.startswith("http://127.0.0.1:")
            with urllib.request.urlopen(page, timeout=10.0) as answer:
                assert answer.status == 200
            assert is_well(page)  # the bench goes on behind it: lines come, the engine steps
            assert demo.poll() is None
            os.kill(demo.pid, signal.SIGINT)
            assert demo.wait(20) == 0
        finally:
            demo.kill()


def test_the_days_sums_are_the_scenarios() -> None:
    """The invented day: 9 casts = 7 good, 1 second, 1 scrap; 862 g = 672 + 107 + 83; cost 12.50 at 14.50 a kg."""
    marks = [typed_mark(act) for act in load_scenario("day").acts if act.way == "typed" or act.do == "mark"]
    lines = [" ".join(line.split()) for line in day_lines(load_settings(CONFIG).bench, marks)]
    assert "casts 9 = 7 good, 1 second, 1 scrap" in lines
    assert "M07 scrap: trap" in lines
    assert "M08 second: pinhole" in lines
    assert "resin 862 g = 672 parts + 107 gates + 83 cup" in lines
    assert "cost 12.50" in lines


def test_without_parts_there_are_no_sums() -> None:
    assert day_lines(load_settings(CONFIG).bench, [{"verb": "mix", "a_g": 1.0, "b_g": 1.0}]) == []
    assert day_lines(None, [{"verb": "demolded", "mold": "M01", "grade": "good"}]) == []


def test_the_scenario_pours_the_molds_the_shipped_shelf_holds() -> None:
    """Cavities, gates with reservoirs, sections and walls of the simulation are those of config/shelf.toml."""
    shelf = {m.code: m for m in load_settings(CONFIG).bench.molds}
    for mold in load_scenario("day").molds:
        mine = shelf[mold.code]
        assert (mold.cavity_ml, mold.gate_ml) == (mine.cavity_ml, mine.gate_ml + mine.reservoir_ml)
        assert (mold.thin_mm, mold.thick_mm, mold.wall_mm) == (mine.thin_mm, mine.thick_mm, mine.wall_mm)


def test_the_clock_waits_for_the_board_and_never_runs_back() -> None:
    wall = [100.0]
    clock = PacedClock(1000.0, 300.0, monotonic=lambda: wall[0])
    wall[0] += 50.0
    assert clock.now() == 1000.0
    clock.reached(10.0, 20.0)
    assert clock.now() == 1010.0
    wall[0] += 0.01
    assert clock.now() == pytest.approx(1010.2)
    wall[0] += 60.0
    assert clock.now() == 1010.25  # the board is late: so is the demo
    clock.reached(10.25, 1.0)
    assert clock.now() == 1010.25


def test_a_change_to_a_slow_stretch_is_no_pause() -> None:
    """Six bench seconds of a quick stretch are 0.02 real ones, also when counted just after it ended."""
    wall = [100.0]
    clock = PacedClock(1000.0, 300.0, monotonic=lambda: wall[0])
    clock.reached(1.0, 300.0)
    clock.reached(7.0, 1.0)
    assert clock.wall_s(6.0) == pytest.approx(0.02)
    wall[0] += 2.0
    assert clock.wall_s(6.0) == 6.0


def test_the_board_waits_for_the_watch_but_not_for_ever(monkeypatch: pytest.MonkeyPatch) -> None:
    """Its clock is moved by its own naps; the watch hears at second 0.2."""
    leash, wall = Leash(1000.0), [0.0]

    def nap(length_s: float) -> None:
        wall[0] += length_s
        if wall[0] >= 0.2:
            leash.heard(1100.0 - LAG_S)

    monkeypatch.setattr(demo_clock, "time", SimpleNamespace(monotonic=lambda: wall[0], sleep=nap))
    leash.wait(LAG_S)
    assert wall[0] == 0.0
    leash.wait(100.0)
    assert wall[0] == pytest.approx(0.2, abs=0.002)  # until it was heard
    leash.wait(200.0)  # nothing is heard any more: waited for once
    assert wall[0] == pytest.approx(0.2 + demo_clock.PATIENCE_S, abs=0.005)
    leash.wait(300.0)
    assert wall[0] == pytest.approx(0.2 + demo_clock.PATIENCE_S, abs=0.005)


def test_the_board_waits_for_an_engine_that_is_behind_however_long(monkeypatch: pytest.MonkeyPatch) -> None:
    """It steps on at second 7; the readings that follow from it count from then on."""
    wall = [0.0]

    def nap(length_s: float) -> None:
        wall[0] += length_s

    monkeypatch.setattr(demo_clock, "time", SimpleNamespace(monotonic=lambda: wall[0], sleep=nap))
    leash = Leash(1000.0, stepped_t=lambda: 1000.0 if wall[0] < 7.0 else 1100.0)
    leash.wait(100.0)
    assert wall[0] == pytest.approx(7.0 + demo_clock.PATIENCE_S, abs=0.005)
    stuck = Leash(1000.0, stepped_t=lambda: 1000.0)
    stuck.let_go()
    stuck.wait(100.0)
    assert wall[0] == pytest.approx(7.0 + demo_clock.PATIENCE_S, abs=0.005)


def test_the_board_waits_for_a_word_on_its_way(monkeypatch: pytest.MonkeyPatch) -> None:
    """A word is said at second 0 and arrives at 0.3: the board goes on then; one that is lost costs PATIENCE_S."""
    wall, words = [0.0], Words()

    def nap(length_s: float) -> None:
        wall[0] += length_s
        if 0.2995 <= wall[0] < 0.3005:
            words.arrived()

    monkeypatch.setattr(demo_clock, "time", SimpleNamespace(monotonic=lambda: wall[0], sleep=nap))
    leash = Leash(1000.0, lambda: words.are_under_way)
    leash.wait(0.0)
    assert wall[0] == 0.0
    words.said()
    leash.wait(0.0)
    assert wall[0] == pytest.approx(0.3, abs=0.002)
    words.said()
    leash.wait(0.0)
    assert wall[0] == pytest.approx(0.3 + demo_clock.PATIENCE_S, abs=0.005)
    leash.wait(0.0)
    assert wall[0] == pytest.approx(0.3 + demo_clock.PATIENCE_S, abs=0.005)


def test_a_word_slows_the_demo_until_the_phone_has_it(tmp_path: Path) -> None:
    demo = Demo(load_scenario("load-1"), Pace(), tmp_path, None, False, False, None)
    assert demo._eased(300.0) == 300.0
    demo._noted(Utterance(t=0.0, say="Lid now.", priority=3, tone="chime", say_until=30.0, subject=Subject(bench="n")))
    assert demo._eased(300.0) == SPOKEN_SPEED
    assert demo._eased(20.0) == 20.0
    time.sleep(SPOKEN_S + 0.05)
    assert demo._eased(300.0) == 300.0


def test_a_kept_journal_is_not_written_over(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    (tmp_path / "journal.db").write_bytes(b"mine")
    assert cli.main(["demo", "--keep", str(tmp_path)]) == 2
    assert "name a new folder" in capsys.readouterr().err
    assert (tmp_path / "journal.db").read_bytes() == b"mine"


def test_a_mark_is_shown_in_words() -> None:
    assert said_by_hand({"verb": "demolded", "mold": "M07", "grade": "scrap", "cause": "trap"}) == (
        "demolded: M07, scrap (trap)"
    )
    assert said_by_hand({"verb": "shut", "pot": "barrel"}) == "shut"


@pytest.mark.parametrize(
    ("arguments", "says"),
    [
        (["--speed", "0"], "--speed goes from above 0 to 300"),
        (["--speed", "301"], "--speed goes from above 0 to 300"),
        (["--load", "1", "--scenario", "creep"], "leave --scenario out"),
        (["--load", "4"], "known: 1, 2, 3"),
    ],
)
def test_wrong_usage_is_two(arguments: list[str], says: str, capsys: pytest.CaptureFixture[str]) -> None:
    try:
        code = cli.main(["demo", *arguments])
    except SystemExit as error:
        code = int(str(error.code))
    assert code == 2
    assert says in capsys.readouterr().err


def test_an_unknown_scenario_is_named_with_its_near_miss(capsys: pytest.CaptureFixture[str]) -> None:
    assert cli.main(["demo", "--scenario", "crep"]) == 78
    assert "creep" in capsys.readouterr().err
