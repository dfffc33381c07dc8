"""Is the plan printed in plain words, kept by the daemon, followed by a press, and refused with its remedy?"""

from __future__ import annotations

import json
import shutil
from pathlib import Path
from typing import Any

import pytest
from daemon import ROOT, Daemon, running, wait_for

from benchd.cli import main
from benchd.core.intake.wire import encode

BOOK = ["--pour", "M02=15", "--pour", "M03=12", "--pour", "M06=12", "--pour", "M01=20"]


@pytest.fixture
def config(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    """A copy of the invented studio's files, its journal beside them, and no daemon anywhere."""
    shutil.copytree(ROOT / "config", tmp_path / "config")
    path = tmp_path / "config" / "bench.toml"
    path.write_text(path.read_text("utf-8") + f"\n[journal]\npath = {json.dumps(str(tmp_path / 'j.db'))}\n", "utf-8")
    monkeypatch.setenv("RUNTIME_DIRECTORY", str(tmp_path / "run"))
    monkeypatch.chdir(tmp_path)
    return path


def said(capsys: pytest.CaptureFixture[str], *words: str) -> tuple[int, str, str]:
    code = main(["plan", *words])
    out = capsys.readouterr()
    return code, out.out, out.err


def test_the_books_first_load_is_printed_to_its_last_digit(config: Path, capsys: pytest.CaptureFixture[str]) -> None:
    code, out, err = said(capsys, "M01", "M02", "M03", "M06", "--temp", "21.5C", *BOOK)
    assert code == 0
    assert err == "benchd is not running: planned from the files\n"
    assert "Fast white, lot R-07, room 21.5 C (as typed)" in out
    assert ": M02 M03 M06 M01\n  mix     303 g: A 159.5, B 143.5\n" in out
    assert "mix 30, pours 15 + 12 + 12 + 20, lid 25, fill 30: at pressure 2:24\n" in out
    assert "3:03, by this lot's own time, not before 2:38: 39 s to spare" in out
    assert '"One load, four molds. First: Keeper arms, Keeper cloak, Tin Porter head, Lantern Keeper torso.' in out


def test_what_is_left_out_is_printed_with_its_reason(config: Path, capsys: pytest.CaptureFixture[str]) -> None:
    code, out, _ = said(capsys, "M08", "M01", "M02", "--temp", "24.1", "--loads", "1", *BOOK)
    assert code == 0
    assert "mix     278 g: A 146.3, B 131.7" in out
    assert "M02 Keeper arms dropped: would leave 12 s, 20 needed (with M08 M01)" in out


def test_json_is_the_sheet(config: Path, capsys: pytest.CaptureFixture[str]) -> None:
    _, out, _ = said(capsys, "M01x2", "--temp", "70F", "-c", str(config), "--json")
    sheet = json.loads(out)["sheet"]
    assert [[m["code"] for m in load["molds"]] for load in sheet["loads"]] == [["M01"], ["M01"]]
    assert sheet["temp_c"] == pytest.approx(21.11, abs=0.01)


@pytest.mark.parametrize(
    ("words", "says"),
    [
        (("M9",), 'no mold "M9"; known: M01'),
        (("M01", "--lot", "R-7"), 'did you mean "R-07"'),
        (("M01", "--temp", "99"), "give 5 to 45 C"),
        (("M01x77",), "ask for 1 to 24 casts"),
    ],
)
def test_what_cannot_be_planned_is_an_error_with_its_remedy(
    config: Path, capsys: pytest.CaptureFixture[str], words: tuple[str, ...], says: str
) -> None:
    code, out, err = said(capsys, *words)
    assert (code, out) == (1, "")
    assert says in err


@pytest.mark.parametrize("words", [("--keep",), ("M01", "--temp", "warm"), ("M01", "--pour", "M01"), ("M01", "--drop"),
                                   ("M01", "--keep", "--shelf", "x.toml")])  # fmt: skip
def test_wrong_usage_is_code_2(config: Path, words: tuple[str, ...]) -> None:
    with pytest.raises(SystemExit) as ended:
        main(["plan", *words])
    assert ended.value.code == 2


def test_to_keep_a_plan_takes_a_daemon(config: Path, capsys: pytest.CaptureFixture[str]) -> None:
    code, _, err = said(capsys, "M01", "--keep")
    assert code == 1
    assert "start it with: benchd run" in err


def test_without_molds_and_with_nothing_kept_it_says_how(config: Path, capsys: pytest.CaptureFixture[str]) -> None:
    assert said(capsys)[:2] == (0, "No day is kept.  Plan one: benchd plan M01 M02 --keep\n")


def test_the_daemon_keeps_it_follows_it_and_brings_it_back(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    with running(tmp_path / "bench") as daemon:
        monkeypatch.setenv("RUNTIME_DIRECTORY", str(daemon.folder / "run"))
        daemon.port.write(encode([("room", 21.5, None, "Cel")], board="b1-", seq=1))
        wait_for(lambda: [r for r in daemon.get("/api/v0/state")["readings"] if r["role"] == "room_temperature"])
        code, out, _ = said(capsys, "M01", "M02", "M03", "M06", "M05", "M07", "--keep")
        assert (code, "room 21.5 C (measured)" in out, "Kept: the next mix" in out) == (0, True, True)
        first = daemon.get("/api/v0/plan")["sheet"]["loads"][0]
        answer = daemon.mark("mix")
        assert answer["ok"]
        assert answer["why"].startswith(
            f"assumed load 1 of the sheet: {' '.join(m['mold'].upper() for m in first['molds'])}, "
        )
        (begun,) = daemon.findings("pour_started")
        assert (begun["molds"], begun["a_g"]) == ([m["mold"] for m in first["molds"]], first["a_g"])
        wait_for(lambda: states(daemon) == ["mixed", "next"])
        daemon.kill()
        daemon.start()
        assert states(daemon) == ["mixed", "next"]
        daemon.mark("end")
        assert daemon.mark("mix")["why"].startswith("assumed load 2 of the sheet: ")
        assert said(capsys, "--drop")[1] == "The sheet is put away.\n"
        assert daemon.get("/api/v0/plan")["sheet"] is None


def states(daemon: Daemon) -> list[str]:
    return [load["state"] for load in daemon.get("/api/v0/plan")["sheet"]["loads"]]


@pytest.mark.parametrize(
    ("body", "field"),
    [
        ({}, "molds"), ({"molds": "M01"}, "molds"), ({"molds": [1]}, "molds"),
        ({"molds": ["M01"], "loads": 1.5}, "loads"),
        ({"molds": ["M01"], "temp_c": "warm"}, "temp_c"), ({"molds": ["M01"], "lot": 3}, "lot"),
        ({"molds": ["M01"], "dry": 1}, "dry"), ({"sheet": {"loads": []}}, "sheet"), ({"vent": True}, "vent"),
        ({"molds": ["M01"], "pours": {"M01": None}}, "pours"), ({"molds": []}, "molds"), ({"molds": ["M0x9"]}, "molds"),
    ],
)  # fmt: skip
def test_a_body_that_is_no_wish_is_refused_and_names_the_key(plan_daemon: Daemon, body: Any, field: str) -> None:
    answer = plan_daemon._ask("PUT", "/api/v0/plan", body)
    assert (answer["ok"], answer["field"]) == (False, field)
    assert answer["why"]
    assert plan_daemon.get("/api/v0/plan")["sheet"] is None


@pytest.fixture(scope="module")
def plan_daemon(tmp_path_factory: pytest.TempPathFactory) -> Any:
    with running(tmp_path_factory.mktemp("bench")) as daemon:
        yield daemon
