"""`benchd calibrate`: what a point changes, what is refused, written and taken back; once against a live daemon."""

from __future__ import annotations

import builtins
import datetime
import shutil
import threading
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Any

import pytest
import tomlkit
from daemon import Daemon, wait_for
from nearly import nearly

from benchd import cli
from benchd.commands import calibrate
from benchd.commands.calibrate.history import Entry, Written, in_use, read_history, to_undo
from benchd.commands.calibrate.live import Heard, listen, refuse_unsteady, weighed
from benchd.commands.calibrate.points import CalibrationRefused, combined, effect, refuse_odd, uncorrected
from benchd.core.intake.calibrate import corrected
from benchd.core.intake.wire import encode
from benchd.core.units import KPA_PER_PSI
from benchd.plugins import load_settings

CONFIG = Path(__file__).parents[2] / "config"
CUP, POT = "cup-1-temperature", "barrel-pressure"


class Home:
    """A copy of config/ and what calibrate says and does there."""

    def __init__(self, folder: Path, capsys: pytest.CaptureFixture[str]) -> None:
        self.bench = folder / "bench.toml"
        self.capsys = capsys
        shutil.copytree(CONFIG, folder, dirs_exist_ok=True)
        self.bench.write_text(self.text + '\n[journal]\npath = "journal.db"\n', "utf-8")

    @property
    def text(self) -> str:
        return self.bench.read_text("utf-8")

    def run(self, *arguments: str, yes: bool = True) -> tuple[int, str]:
        """(exit code, all it said)."""
        code = cli.main(["calibrate", *arguments, "-c", str(self.bench), *(["--yes"] if yes else [])])
        said = self.capsys.readouterr()
        return code, said.out + said.err

    def points(self, id: str) -> list[tuple[float, float]]:
        found = next(c for c in load_settings(self.bench).bench.channels if c.id == id)
        return [(round(read, 3), round(true, 3)) for read, true in found.calibration]

    def table(self, index: int) -> Any:
        return tomlkit.parse(self.text)["channel"][index]


@pytest.fixture
def home(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> Home:
    return Home(tmp_path / "home", capsys)


# ------------------------------------------------------------------------------------------------------------- points


def test_one_point_moves_a_line_two_draw_it_anew_and_keep_adds() -> None:
    old = ((1.0, 0.0), (101.0, 99.0))
    assert combined((), ((1.3, 0.0),), "C", keep=False) == ((1.3, 0.0),)
    assert combined(((2.0, 0.0),), ((1.3, 0.0),), "C", keep=False) == ((1.3, 0.0),)
    moved = combined(old, ((1.5, 0.0),), "C", keep=False)
    assert moved == ((1.5, 0.0), (101.5, 99.0))
    assert combined(old, ((99.0, 99.9), (0.5, 0.0)), "C", keep=False) == ((0.5, 0.0), (99.0, 99.9))
    assert combined(((1.0, 0.0),), ((100.5, 99.9),), "C", keep=True) == ((1.0, 0.0), (100.5, 99.9))
    assert combined(old, ((100.0, 99.9),), "C", keep=True) == ((1.0, 0.0), (100.0, 99.9))


@pytest.mark.parametrize("points", [(), ((1.3, 0.0),), ((1.0, 0.0), (101.0, 99.0), (150.0, 151.0))])
@pytest.mark.parametrize("read", [-5.0, 1.0, 60.0, 140.0, 180.0])
def test_what_is_shown_leads_back_to_what_was_read(points: Any, read: float) -> None:
    shown = corrected(points, read) if points else read
    assert uncorrected(points, shown) == pytest.approx(read)


def test_the_effect_is_told_at_the_benchs_own_values() -> None:
    told = effect((), ((1.3, 0.0), (101.3, 100.0)), "C")
    assert told == [(0.0, nearly(-1.3)), (23.0, nearly(21.7)), (100.0, nearly(98.7))]
    assert effect(((5.0, 0.0),), (), "kPa")[1] == (nearly(42 * KPA_PER_PSI), nearly(42 * KPA_PER_PSI + 5))


@pytest.mark.parametrize(
    ("points", "why"),
    [
        (((0.0, 0.0), (5.0, 5.0)), "less than 10 C apart"),
        (((0.0, 50.0), (100.0, 40.0)), "do not rise"),
        (((0.0, 0.0), (50.0, 100.0)), "stretch the reading 2.00 times"),
        (((0.0, 0.0), (100.0, 70.0)), "stretch the reading 0.70 times"),
    ],
)
def test_points_no_sound_probe_gives_are_refused(points: Any, why: str) -> None:
    with pytest.raises(CalibrationRefused, match=why):
        refuse_odd(points, "C")


# ------------------------------------------------------------------------------------------------------- the command


def test_ice_and_boiling_water_are_shown_written_and_dated(home: Home) -> None:
    before = home.text
    code, said = home.run(CUP, "ice", "boil", "--value", "1.3 C", "--value", "100.1 C", "--pressure", "95 kPa")
    assert code == 0
    assert "in crushed ice" in said
    # 95 kPa: water boils at 98.18 C (IAPWS-IF97)
    assert "at 95.0 kPa (typed) it boils at 98.18 C" in said
    assert "0 C -> -1.29 C" in said
    assert "--undo takes it back" in said
    assert home.points(CUP) == [(1.3, 0.0), (100.1, pytest.approx(98.178, abs=0.002))]
    table = home.table(0)
    assert abs((table["calibrated"] - datetime.date.today()).days) <= 1
    kept = [line for line in home.text.splitlines() if not line.startswith(("calibration =", "calibrated ="))]
    assert kept == before.splitlines()  # every comment and blank line where it was


def test_the_altitudes_pressure_says_how_wide_the_weather_makes_it(home: Home) -> None:
    _, said = home.run(CUP, "boil", "--value", "99.5 C")
    assert "(by the altitude) it boils at 99.91 C, give or take 0.8 C of weather" in said  # 20 m: 101.085 kPa, ISO 2533


def test_a_pressure_is_written_in_the_benchs_unit(home: Home) -> None:
    code, said = home.run(POT, "0 psi", "42 psi", "--value", "0.4 psi", "--value", "41.2 psi")
    assert code == 0
    assert "42 psi -> 42.82 psi" in said
    assert 'calibration = [["0.4 psi", "0 psi"], ["41.2 psi", "42 psi"]]' in home.text


def test_zero_is_for_an_open_pot_only(home: Home) -> None:
    before = home.text
    code, said = home.run(POT, "zero", "--value", "2.3 psi")
    assert code == 1
    assert "bleed open, no hiss, dial at zero" in said
    assert "take it as pressure" in said
    assert home.text == before
    code, said = home.run(POT, "zero", "--value", "-0.6 psi")
    assert code == 0
    assert "Neither a dial nor a sensor proves an empty pot" in said
    assert "safe" not in said.lower()
    assert home.points(POT) == [(round(-0.6 * KPA_PER_PSI, 3), 0.0)]


@pytest.mark.parametrize(
    ("arguments", "why"),
    [
        ((CUP, "ice", "--value", "21 C"), "that is no drift.  Is it in crushed ice"),
        ((CUP, "zero", "--value", "1 C"), "zero is for pots, tanks and scales"),
        ((POT, "ice", "--value", "0 psi"), "ice is for temperatures"),
        ((CUP, "warm", "--value", "1 C"), '"warm" is not a temperature'),
        ((CUP, "23", "--value", "22 C"), "23 has no unit"),
        ((CUP, "ice", "--value", "1"), "--value: 1 has no unit"),
        ((CUP, "ice", "boil", "--value", "1 C"), "2 true values need as many --value; 1 given"),
        ((CUP, "boil", "--value", "99 C", "--pressure", "1013 kPa"), "is no air pressure"),
        ((CUP, "boil", "--value", "99 C", "--pressure", "1 Pa"), "water does not boil"),
        (("cup-1-temp", "ice"), 'no channel "cup-1-temp"; did you mean "cup-1-temperature"?'),
        ((CUP, "--undo"), "no calibration of cup-1-temperature is there to be undone"),
    ],
)
def test_what_does_not_fit_is_refused_and_nothing_written(home: Home, arguments: tuple[str, ...], why: str) -> None:
    before = home.text
    code, said = home.run(*arguments)
    assert code == 1
    assert why in said
    assert home.text == before


def test_undo_goes_back_step_by_step_to_the_file_as_it_was(home: Home) -> None:
    before = home.text
    home.run(CUP, "ice", "--value", "1 C")
    middle = home.text
    home.run(POT, "zero", "--value", "0.5 psi")
    home.run(CUP, "ice", "--value", "0.4 C")
    assert home.points(CUP) == [(1.4, 0.0)]
    assert home.run(CUP, "--undo")[0] == 0
    assert home.points(CUP) == [(1.0, 0.0)]
    home.run(POT, "--undo")
    assert home.text == middle
    home.run(CUP, "--undo")
    assert home.text == before
    assert home.run(CUP, "--undo")[0] == 1


def test_points_changed_by_hand_are_not_undone_over(home: Home) -> None:
    home.run(CUP, "ice", "--value", "1 C")
    home.bench.write_text(home.text.replace('["1 C", "0 C"]', '["2 C", "0 C"]'), "utf-8")
    code, said = home.run(CUP, "--undo")
    assert (code, "changed by hand" in said) == (1, True)
    assert home.points(CUP) == [(2.0, 0.0)]


def test_a_no_writes_nothing(home: Home, monkeypatch: pytest.MonkeyPatch) -> None:
    before = home.text
    monkeypatch.setattr(builtins, "input", lambda question: "n")
    code, said = home.run(CUP, "ice", "--value", "1 C", yes=False)
    assert (code, home.text) == (0, before)
    assert "nothing is written" in said


def test_an_edit_made_while_it_asks_is_not_lost(home: Home, monkeypatch: pytest.MonkeyPatch) -> None:
    def meanwhile(question: str) -> str:
        home.bench.write_text(home.text + "# a note by the caster\n", "utf-8")
        return "y"

    monkeypatch.setattr(builtins, "input", meanwhile)
    code, said = home.run(CUP, "ice", "--value", "1 C", yes=False)
    assert code == 1
    assert "changed by somebody else" in said
    assert home.text.endswith("# a note by the caster\n")
    assert "\ncalibration =" not in home.text
    assert not (home.bench.parent / "calibrations.jsonl").exists()


def test_without_a_word_it_shows_the_points_and_how_far_off_a_wire_may_be(home: Home) -> None:
    sensor = 'sensor = { kind = "thermocouple", type = "K", cold_junction = "b1-cj" }'
    home.bench.write_text(home.text.replace('resolution = "0.25 C"', sensor, 1), "utf-8")
    home.run(CUP, "ice", "--value", "1 C")
    code, said = home.run(CUP)
    assert code == 0
    assert "within 2.5 C (type K, IEC 60584-1 class 2)" in said  # IEC 60584-1: 2.5 C or 0.75 %
    assert "points now   reads 1 C at 0 C (20" in said


def test_more_than_its_class_allows_is_said(home: Home) -> None:
    sensor = 'sensor = { kind = "thermocouple", type = "T", cold_junction = "b1-cj", iec_class = 1 }'
    home.bench.write_text(home.text.replace('resolution = "0.25 C"', sensor, 1), "utf-8")
    assert "more than the 0.5 C of its class" in home.run(CUP, "ice", "--value", "0.8 C")[1]  # IEC 60584-1, T class 1
    assert "of its class" not in home.run(CUP, "ice", "--value", "-0.5 C")[1]


class Bystander:
    """A live bench without one: what is asked of the person, and what is heard each time."""

    def __init__(self, monkeypatch: pytest.MonkeyPatch, *means: float) -> None:
        self.asked: list[str] = []
        heard = iter(means)
        monkeypatch.setattr(calibrate, "ask", lambda *a: (200, {"readings": [], "cards": []}))
        monkeypatch.setattr(calibrate, "_points_in_use", lambda job: job.channel.calibration)
        monkeypatch.setattr(calibrate, "listen", lambda *a: Heard(next(heard), 0.05, 0.01, 10))
        monkeypatch.setattr(builtins, "input", self.answer)

    def answer(self, question: str) -> str:
        self.asked.append(question.strip())
        return "y"


def test_each_of_two_points_waits_for_the_person_who_brings_it_there(
    home: Home, monkeypatch: pytest.MonkeyPatch
) -> None:
    person = Bystander(monkeypatch, 0.4 * KPA_PER_PSI, 41.2 * KPA_PER_PSI)
    code, said = home.run(POT, "zero", "42 psi", yes=False)
    assert code == 0
    assert [q.split(":")[0] for q in person.asked[:2]] == ["zero", "42 psi"]
    assert person.asked[2].startswith("write this into")
    assert "42 psi: the true value at 42 psi, by an instrument you trust" in said
    assert 'calibration = [["0.4 psi", "0 psi"], ["41.2 psi", "42 psi"]]' in home.text


def test_a_second_point_with_nobody_there_is_refused(home: Home, monkeypatch: pytest.MonkeyPatch) -> None:
    Bystander(monkeypatch, 0.5, 99.0)

    def gone(question: str) -> str:
        raise EOFError

    monkeypatch.setattr(builtins, "input", gone)
    code, said = home.run(CUP, "ice", "boil")
    assert (code, "nobody pressed Enter: run it in a terminal" in said) == (1, True)


@pytest.mark.parametrize("over", ["nan", "0", "-3", "1e9"])
def test_an_absurd_length_is_refused(home: Home, over: str) -> None:
    code, said = home.run(CUP, "ice", f"--over={over}")
    assert (code, "is not between 0 and 600 s" in said) == (1, True)


def test_without_a_daemon_and_a_value_it_says_what_to_do(home: Home, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setenv("RUNTIME_DIRECTORY", str(home.bench.parent / "nobody"))
    code, said = home.run(CUP, "ice")
    assert code == 1
    assert "benchd is not running" in said
    assert "--value" in said


# --------------------------------------------------------------------------------------------------------------- live


def test_a_reading_must_stand_still() -> None:
    steady = weighed([1.2, 1.3, 1.2, 1.4, 1.3, 1.3])
    assert steady == Heard(nearly(1.2833, abs=1e-3), nearly(0.0753, abs=1e-3), nearly(0.1), 6)
    refuse_unsteady(steady, "C", None)
    with pytest.raises(CalibrationRefused, match=r"still moves, by \+1\.5 C"):
        refuse_unsteady(Heard(10.0, 0.3, 1.5, 20), "C", None)
    with pytest.raises(CalibrationRefused, match="scatters by 2 C"):
        refuse_unsteady(Heard(10.0, 2.0, 0.0, 20), "C", None)
    refuse_unsteady(Heard(10.0, 1.5, 0.0, 20), "C", 1.0)  # a coarse probe may step


@pytest.mark.parametrize(
    ("quality", "step_s", "why"),
    [("fault", 1.0, "is faulty"), ("good", 0.0, "was heard 0 times"), (None, 1.0, "has not")],
)
def test_a_channel_that_is_faulty_or_silent_gives_no_point(quality: str | None, step_s: float, why: str) -> None:
    times = iter(range(1000))

    def state() -> dict[str, Any]:
        if quality is None:
            return {"readings": []}
        return {"readings": [{"channel": CUP, "t": step_s * next(times), "quality": quality, "value": 1.0}]}

    with pytest.raises(CalibrationRefused, match=why):
        listen(state, CUP, 2.0, sleep=lambda s: None)


def test_no_zero_while_a_load_is_in_the_pot(home: Home, monkeypatch: pytest.MonkeyPatch) -> None:
    state = {"readings": [], "cards": [{"of": "pot", "id": "barrel", "phase": "holding"}]}
    monkeypatch.setattr(calibrate, "ask", lambda *a: (200, state))
    code, said = home.run(POT, "zero")
    assert code == 1
    assert "a load is in barrel (holding)" in said


def test_the_daemon_of_another_bench_is_not_asked(home: Home, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(calibrate, "ask", lambda *a: (200, {"readings": [], "about": {"bench": "south"}}))
    code, said = home.run(CUP, "ice")
    assert (code, "watches south, not the north of" in said) == (1, True)


NONE, ICE = Written(), Written((("1.3 C", "0 C"),), "2026-11-25")


def test_which_points_a_daemon_uses_that_began_before_or_after_a_change() -> None:
    history = [Entry(100.0, CUP, NONE, ICE, "ice"), Entry(200.0, POT, NONE, ICE, "zero")]
    assert in_use(history, CUP, ICE, 50.0, True) == NONE
    assert in_use(history, CUP, ICE, 150.0, True) == ICE
    assert in_use(history, CUP, ICE, 50.0, False) is None
    assert to_undo(history, CUP) == history[0]
    assert to_undo([*history, Entry(300.0, CUP, ICE, NONE, "undo", undoes=100.0)], CUP) is None


def test_a_history_line_cut_short_is_passed_over(tmp_path: Path) -> None:
    path = tmp_path / "calibrations.jsonl"
    path.write_text('{"t": 1.0, "chan\n[]\n{"t": 2.0}\n', "utf-8")
    assert read_history(path) == []
    assert read_history(tmp_path / "none.jsonl") == []


@contextmanager
def boarding(daemon: Daemon) -> Iterator[dict[str, float]]:
    """A board that goes on sending what is in the dict, four times a second, with a probe's noise."""
    sends = {"cup": 1.3, "pot": 2500.0}
    ended = threading.Event()

    def send() -> None:
        seq = 0
        while not ended.wait(0.2):
            seq += 1
            noise = (seq % 3 - 1) * 0.05
            records = [("cup", sends["cup"] + noise, None, "Cel"), ("pot", sends["pot"] + 100 * noise, None, "Pa")]
            daemon.port.write(encode(records, board="b1-", seq=seq))

    board = threading.Thread(target=send)
    board.start()
    try:
        yield sends
    finally:
        ended.set()
        board.join()


@contextmanager
def watched(folder: Path) -> Iterator[Daemon]:
    """A running daemon whose cup and pot are sent five times a second."""
    daemon = Daemon(folder)
    bench = folder / "bench.toml"
    text = bench.read_text("utf-8").replace("resolution =", 'period = "0.2 s"\nresolution =')
    bench.write_text(text, "utf-8")
    with daemon.started():
        yield daemon


@pytest.mark.wide
def test_live_readings_of_a_running_daemon_are_averaged_whatever_points_it_uses(
    tmp_path: Path, capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setenv("RUNTIME_DIRECTORY", str(tmp_path / "run"))
    with watched(tmp_path) as daemon, boarding(daemon) as sends:
        wait_for(lambda: len(daemon.get("/api/v0/state")["readings"]) >= 2)

        def readings() -> list[dict[str, Any]]:
            return list(daemon.get("/api/v0/state")["readings"])

        def run(*arguments: str) -> str:
            command = ["calibrate", *arguments, "-c", str(tmp_path / "bench.toml"), "--yes", "--over", "1"]
            code = cli.main(command)
            said = capsys.readouterr()
            assert code == 0, said
            return said.out

        assert "ice: shows 1.3" in run(CUP, "ice")
        sends["cup"] = 100.0  # a jump like this is undecided for 3 s, and suspect meanwhile
        wait_for(lambda: (CUP, 100.0, "good") in [(r["channel"], r["value"], r["quality"]) for r in readings()])
        run(CUP, "boil", "--keep")  # the daemon knows nothing of the ice point yet: what it shows is what was read
        assert "zero: shows 0.36 psi" in run(POT, "zero")
        bench = load_settings(tmp_path / "bench.toml").bench
        (ice, boil), (zero,) = bench.channels[0].calibration, bench.channels[1].calibration
        assert (ice[0], boil[0], zero[0]) == pytest.approx((1.3, 100.0, 2.5), abs=0.04)
        daemon.stop()
        daemon.start()
        state = wait_for(lambda: (s := daemon.get("/api/v0/state")) and len(s["readings"]) >= 2 and s)
        shown = {r["channel"]: r["value"] for r in state["readings"]}
        assert shown[POT] == pytest.approx(0.0, abs=0.02)
        (tmp_path / "bench.toml").write_text((tmp_path / "bench.toml").read_text("utf-8") + "# by hand\n", "utf-8")
        assert cli.main(["calibrate", POT, "zero", "-c", str(tmp_path / "bench.toml"), "--yes", "--over", "1"]) == 1
        assert "was changed since benchd started" in capsys.readouterr().err
