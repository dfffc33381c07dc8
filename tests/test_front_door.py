"""Do the front page's five steps lead a newcomer with a fresh board to a live bench, with its commands and no others?

The board runs its own program on MicroPython, its pins in front of a scripted bench, its output on a pseudo-terminal;
init's questions are answered at another.  What a person does by hand is typed here: six answers and one file.
"""

from __future__ import annotations

import contextlib
import json
import os
import re
import shlex
import subprocess
import sys
import time
import tomllib
import tty
import urllib.request
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest
from firmware.board_runs import BOARDS, FAKES, LIB, MICROPYTHON, needs_micropython, scene_file
from mosquitto import free_port

from benchd.core.alarm.phrases import PHRASES
from benchd.plugins import load_settings

ROOT = Path(__file__).parents[1]
README = (ROOT / "README.md").read_text("utf-8")
STEPS = README.partition("## Your bench in fifteen minutes\n")[2].partition("\n## ")[0]
COMMANDS = re.findall(r"^       (\S.*)$", STEPS, re.MULTILINE)
CURLS = re.findall(r"^    (curl (?:.*\\\n)*.*)$", README, re.MULTILINE)
ANSWERS = {
    "whole inside": "16.5 l", "written on the pot": "60 psi", "relief valve lifts": "55 psi",
    "your studio": "Quiet Harbour", "this bench": "North bench",
}  # fmt: skip
"""What has no default, and the two names; every other question is answered by Enter."""


def test_a_newcomer_needs_four_commands_and_one_file() -> None:
    """The goal of fifteen minutes, counted: what is typed, and what is opened in an editor."""
    assert len(COMMANDS) == 4
    assert [shlex.split(each)[0].rsplit("/", 1)[-1] for each in COMMANDS] == ["mpremote", "python3", "benchd", "benchd"]
    assert re.findall(r"`(bench/[\w./-]+)`", STEPS) == ["bench/resins/fast-white.toml"]
    assert len(CURLS) == 2


def test_the_command_for_the_board_copies_files_there_are() -> None:
    words = shlex.split(COMMANDS[0])
    assert words[:2] == ["mpremote", "cp"]
    assert words[-3:] == [":", "+", "reset"]
    assert [name for name in words[2:-3] if not (BOARDS / "micropython" / name).is_file()] == []
    assert {Path(name).stem for name in words[2:-3]} >= _imported(BOARDS / "micropython" / "main.py")


@pytest.mark.parametrize("paper", sorted(BOARDS.glob("*/README.md")), ids=lambda path: path.parent.name)
def test_every_boards_copy_command_copies_files_there_are(paper: Path) -> None:
    """From the folder the paper lies in; config.py is the owner's own copy of config_example.py."""
    for command in re.findall(r"^ +(mpremote cp .*)$", paper.read_text("utf-8"), re.MULTILINE):
        named = [word for word in shlex.split(command) if word.endswith(".py") and not word.startswith(":")]
        assert len(named) >= 3
        assert [
            name for name in named if not (paper.parent / name.replace("config.py", "config_example.py")).is_file()
        ] == []
        assert command.endswith("+ reset")


def _imported(main: Path) -> set[str]:
    """The modules of firmware_examples/lib that a board's program needs, itself with them."""
    found = re.findall(r"^(?:from|import) (\w+)", main.read_text("utf-8"), re.MULTILINE)
    return {name for name in found if (LIB / f"{name}.py").exists()} | {"main"}


@pytest.fixture
def board(tmp_path: Path) -> Iterator[Path]:
    """The MicroPython board's own main.py, awake on a pseudo-terminal; the terminal's name."""
    assert MICROPYTHON is not None
    master, slave = os.openpty()
    tty.setraw(slave)
    scene = scene_file(tmp_path, 120_000, [[0, "cup_c", 23.0], [0, "pot_pa", 900.0]])
    path = ":".join(str(folder) for folder in (FAKES / "any", FAKES / "machine", LIB))
    running = subprocess.Popen(
        [MICROPYTHON, str(BOARDS / "micropython" / "main.py")], stdout=master, stderr=subprocess.DEVNULL,
        env={"PATH": os.environ["PATH"], "SCENE": str(scene), "MICROPYPATH": path},
    )  # fmt: skip
    try:
        yield Path(os.ttyname(slave))
    finally:
        running.kill()
        running.wait(5)
        os.close(master)
        os.close(slave)


def benchd(command: str) -> list[str]:
    """A command of the page, by this environment's Python."""
    words = shlex.split(command)
    assert words[0] == ".venv/bin/benchd"
    return [sys.executable, "-m", "benchd", *words[1:]]


def answered(command: list[str], folder: Path) -> tuple[str, list[str]]:
    """Run a command at a terminal and answer its questions; what it said, and what was typed besides Enter."""
    master, slave = os.openpty()
    asking = subprocess.Popen(command, cwd=folder, stdin=slave, stdout=slave, stderr=slave, env=_environment(folder))
    os.close(slave)
    said, typed = "", []
    with contextlib.suppress(OSError):  # a terminal whose last writer has gone reads as an error
        while piece := os.read(master, 4096).decode(errors="replace"):
            said += piece
            question = said.rsplit("\n", 1)[-1]
            if question.endswith("? ") or question.endswith("] ") or question.endswith(". "):
                word = next((word for key, word in ANSWERS.items() if key in question), "")
                typed += [word] if word else []
                os.write(master, f"{word}\n".encode())
                said += "\n"
    os.close(master)
    assert asking.wait(10) == 0, said
    return said, typed


def _environment(folder: Path) -> dict[str, str]:
    more = {"HOME": str(folder), "RUNTIME_DIRECTORY": str(folder / "run"), "XDG_STATE_HOME": str(folder / "state")}
    return os.environ | more | {"NO_COLOR": "1", "PYTHONPATH": str(ROOT)}


@pytest.mark.wide  # fifteen seconds: it listens to the board for five, and a bench's first start solves its tables
@needs_micropython
def test_the_steps_lead_to_a_live_page(board: Path, tmp_path: Path) -> None:
    """Besides the page's words only what a test needs: a terminal's name as the port, another port for the page."""
    said, typed = answered([*benchd(COMMANDS[2]), "--port", str(board), "--broker", "none"], tmp_path)
    assert sorted(typed) == sorted(ANSWERS.values())
    assert "reads to 100 psi" in said  # the board's own word: nobody was asked
    label = tmp_path / "bench" / "resins" / "fast-white.toml"
    label.write_text(label.read_text("utf-8").replace('pot_life = "3 min"', 'pot_life = "5 min"'), "utf-8")
    config = tmp_path / "bench" / "bench.toml"
    port = free_port()
    with config.open("a", encoding="utf-8") as file:
        file.write(f'\n[page]\nlisten = "127.0.0.1:{port}"\n')
    with (tmp_path / "log").open("w") as log:
        watching = subprocess.Popen(benchd(COMMANDS[3]), cwd=tmp_path, env=_environment(tmp_path), stderr=log)
    try:
        live = _live(port, watching, tmp_path / "log")
        page = urllib.request.urlopen(f"http://127.0.0.1:{port}/", timeout=5).read()
        state, answer = (json.loads(_curled(command, port)) for command in CURLS)
    finally:
        watching.terminate()
        watching.wait(20)
    assert {name: round(value, 1) for name, value in live.items()} == {
        "cup-1-temperature": 23.0, "pot-pressure": 0.9, "room-temperature": 21.5, "room-humidity": 44.0,
    }  # fmt: skip
    assert b"Sound on" in page
    assert state["about"]["name"] == "North bench"
    assert answer["ok"] is True
    assert tomllib.loads(config.read_text("utf-8"))["channel"][1]["range"] == ["-2 psi", "100 psi"]


def _curled(command: str, port: int) -> bytes:
    """What a curl line of the page prints, asked of this test's port."""
    assert "127.0.0.1:8127" in command
    words = shlex.split(command.replace("127.0.0.1:8127", f"127.0.0.1:{port}").replace("\\\n", " "))
    return subprocess.run(words, capture_output=True, timeout=20, check=True).stdout


def _live(port: int, watching: subprocess.Popen[bytes], log: Path) -> dict[str, float]:
    """Each channel's reading from the page's own interface, once all four have one."""
    until_s = time.monotonic() + 30.0
    while time.monotonic() < until_s:
        assert watching.poll() is None, log.read_text()
        with contextlib.suppress(OSError):
            answer = urllib.request.urlopen(f"http://127.0.0.1:{port}/api/v0/state", timeout=5)
            state: dict[str, Any] = json.load(answer)
            live = {r["channel"]: r["value"] for r in state["readings"] if r.get("value") is not None}
            if len(live) == 4:
                return live
        time.sleep(0.2)
    raise AssertionError(log.read_text())


def test_what_the_page_quotes_is_what_is_said() -> None:
    """Each sentence in quotes: a phrase with its slots filled, a word of the recorded days, or the phone page's own."""
    front = README.partition("\n## Your first pour")[2].partition("\n## Changelog")[0]
    quoted = set(re.findall(r'"([A-Z][^"{}:]*\.)"', front))
    slot = re.compile(r"\\\{\w+\\\}")
    patterns = [re.compile(slot.sub(".+", re.escape(p.words))) for p in PHRASES if slot.sub("", re.escape(p.words))]
    recorded = "".join(path.read_text("utf-8") for path in (ROOT / "tests" / "recordings").glob("*.expected.jsonl"))
    page = (ROOT / "benchd" / "page" / "static" / "page.js").read_text("utf-8")
    assert len(quoted) >= 10
    unknown = [q for q in quoted if q not in recorded and q not in page and not any(p.fullmatch(q) for p in patterns)]
    assert unknown == []


@pytest.mark.parametrize(
    ("paper", "tables"), [("README.md", ["hub_discovery"]), ("config/README.md", ["journal", "page"])]
)
def test_each_table_a_paper_shows_is_taken_as_it_stands(paper: str, tables: list[str], tmp_path: Path) -> None:
    """Put into the example bench in place of its own table of that name."""
    text = (ROOT / paper).read_text("utf-8")
    shown = re.findall(r"^    (\[\w+\]\n(?:    .+\n)+)", text, re.MULTILINE)
    assert re.findall(r"(?m)^\[(\w+)\]$", "".join(shown)) == tables
    for name in ("shelf.toml", "resins"):
        (tmp_path / name).symlink_to(ROOT / "config" / name)
    for block in shown:
        table = re.sub(r"(?m)^    ", "", block)
        bench = (ROOT / "config" / "bench.toml").read_text("utf-8") + "\n" + table
        (tmp_path / "bench.toml").write_text(bench, "utf-8")
        loaded = load_settings(tmp_path / "bench.toml")
        (name,) = tomllib.loads(table)
        assert name in loaded.outlets or (name == "page" and loaded.page.port == 8127) or loaded.keep.months("words")
