"""`benchd init`: does a new board, or a simulated one, become files that check accepts, and is nothing overwritten?"""

from __future__ import annotations

import contextlib
import os
import socket
import subprocess
import sys
import time
import tomllib
import tty
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest
from serial.tools import list_ports

from benchd import cli
from benchd.commands import init
from benchd.commands.init import service as init_service
from benchd.commands.init.files import written
from benchd.commands.init.guess import guess_roles
from benchd.commands.init.service import Owner
from benchd.core.intake.wire import encode
from benchd.plugins import load_settings
from benchd.rehearsal import load_scenario
from benchd.rehearsal.pty_board import PtyBoard
from benchd.runtime.serial.overhear import Name

POT = ("--volume", "16.5 l", "--marked", "60 psi", "--relief", "55 psi")
FILES = ["bench.toml", "benchd.service", "resins/fast-white.toml", "shelf.toml"]


@pytest.fixture
def board() -> Iterator[PtyBoard]:
    """The invented studio's board on a pseudo-terminal, five times faster than life."""
    with PtyBoard(load_scenario("load-1"), 5.0) as board:
        yield board


@pytest.fixture(autouse=True)
def _no_broker(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(init, "BROKER", ("127.0.0.1", 1))


def made(folder: Path) -> list[str]:
    return sorted(str(path.relative_to(folder)) for path in folder.rglob("*") if path.is_file())


def bench(folder: Path) -> dict[str, Any]:
    return tomllib.loads((folder / "bench.toml").read_text("utf-8"))


def test_a_board_becomes_a_bench_that_check_accepts(
    board: PtyBoard, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    folder = tmp_path / "home"
    arguments = ["init", str(folder), "--port", board.port, "--listen", "1", "--yes", "--shop", "Quiet Harbour", *POT]
    assert cli.main(arguments) == 0
    said = capsys.readouterr().out
    assert made(folder) == FILES
    channels = {channel["senml"]: (channel["role"], channel.get("of")) for channel in bench(folder)["channel"]}
    assert channels == {
        "b1-cup": ("cup_temperature", "cup-1"), "b1-pot": ("pot_pressure", "pot"),
        "b1-room": ("room_temperature", None), "b1-rh": ("room_humidity", None),
        "b1-tank": ("tank_pressure", None), "b1-tankt": ("tank_temperature", None),
    }  # fmt: skip
    assert bench(folder)["bench"]["shop"] == "quiet-harbour"
    assert "b1-room" in said
    assert "%RH" in said
    loaded = load_settings(folder / "bench.toml")
    assert loaded.bench.pots[0].marked_kpa == pytest.approx(413.69, abs=0.01)  # 60 psi of 6.894757 kPa
    assert cli.main(["check", "-c", str(folder / "bench.toml"), "--files-only"]) == 0
    assert f" run -c {folder / 'bench.toml'}\n" in (folder / "benchd.service").read_text("utf-8")


def test_in_a_home_the_unit_is_its_owners_and_what_it_writes_into_is_made(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    state = tmp_path / ".local" / "state" / "benchd"
    monkeypatch.setattr(init, "owner_of", lambda folder: Owner("ann", 1000, tmp_path, state))
    assert cli.main(["init", str(tmp_path / "bench"), "--simulate"]) == 0
    unit = (tmp_path / "bench" / "benchd.service").read_text("utf-8")
    assert "\nUser=ann\n" in unit
    assert f"\nReadWritePaths={tmp_path}/bench {state}\n" in unit
    assert state.stat().st_mode & 0o777 == 0o700


def test_what_keeps_a_service_out_is_said_at_once(
    tmp_path: Path, capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(init_service, "OWN_TO_THE_SERVICE", (str(tmp_path),))
    assert cli.main(["init", str(tmp_path / "bench"), "--simulate"]) == 0
    said = capsys.readouterr().out
    assert f"First, as root, because the service has a {tmp_path} of its own" in said
    assert f"install -m 644 {tmp_path}/bench/bench.toml {tmp_path}/bench/shelf.toml" in said


@pytest.mark.parametrize("there", FILES)
def test_nothing_is_ever_overwritten_and_nothing_else_written_then(
    there: str, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    path = tmp_path / there
    path.parent.mkdir(exist_ok=True)
    path.write_text("mine")
    assert cli.main(["init", str(tmp_path), "--simulate"]) == 1
    assert f"already there, and never overwritten: {path}" in capsys.readouterr().err
    assert made(tmp_path) == [there]
    assert path.read_text() == "mine"


def test_a_folder_that_cannot_be_written_leaves_nothing(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    (tmp_path / "resins").write_text("a file where the folder should be")
    assert cli.main(["init", str(tmp_path), "--simulate"]) == 1
    assert "nothing is written" in capsys.readouterr().err
    assert made(tmp_path) == ["resins"]


def test_answers_that_do_not_hold_together_are_told_and_leave_nothing(
    board: PtyBoard, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    wrong = ("--volume", "16.5 l", "--marked", "90 psi", "--relief", "80 psi")  # the gauge ends at 100 psi
    assert cli.main(["init", str(tmp_path), "--port", board.port, "--listen", "0.8", "--yes", *wrong]) == 78
    assert "too near the pot's mark" in capsys.readouterr().err
    assert made(tmp_path) == []


def test_without_the_pots_own_figures_nothing_is_guessed(
    board: PtyBoard, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    with pytest.raises(SystemExit) as caught:
        cli.main(["init", str(tmp_path), "--port", board.port, "--listen", "0.8", "--yes", *POT[:2]])
    assert caught.value.code == 2
    assert "give --marked, the highest pressure written on the pot" in capsys.readouterr().err
    assert made(tmp_path) == []


def test_a_channel_is_what_the_caster_says(board: PtyBoard, tmp_path: Path) -> None:
    said = ["--channel", "b1-tankt=pot_gas_temperature", "--channel", "b1-tank="]
    assert cli.main(["init", str(tmp_path), "--port", board.port, "--listen", "1", "--yes", *POT, *said]) == 0
    channels = {channel["senml"]: channel["role"] for channel in bench(tmp_path)["channel"]}
    assert channels["b1-tankt"] == "pot_gas_temperature"
    assert "b1-tank" not in channels


@pytest.mark.parametrize(
    ("channel", "says"), [("b1-cup=kettle", 'no role "kettle"'), ("b9-cup=scale", "the board sends b1-cup")]
)
def test_a_channel_said_wrongly_is_wrong_usage(
    board: PtyBoard, tmp_path: Path, capsys: pytest.CaptureFixture[str], channel: str, says: str
) -> None:
    with pytest.raises(SystemExit) as caught:
        cli.main(["init", str(tmp_path), "--port", board.port, "--listen", "0.8", "--yes", "--channel", channel])
    assert caught.value.code == 2
    assert says in capsys.readouterr().err


def test_a_port_that_speaks_otherwise_says_what_was_refused(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    master, slave = os.openpty()
    tty.setraw(slave)
    talking = subprocess.Popen(
        [
            sys.executable,
            "-c",
            f"import os,time\nfor _ in range(40): os.write({master}, b'T=21.5\\n'); time.sleep(.05)",
        ],
        pass_fds=[master],
    )
    try:
        assert cli.main(["init", str(tmp_path), "--port", os.ttyname(slave), "--listen", "0.6", "--yes"]) == 1
        assert "trailer); is it the right port, baud rate and checksum" in capsys.readouterr().err
        talking.kill()
        assert cli.main(["init", str(tmp_path), "--port", os.ttyname(slave), "--listen", "0.3", "--yes"]) == 1
        assert "it sent nothing" in capsys.readouterr().err
    finally:
        talking.kill()
        talking.wait(5)
        os.close(master)
        os.close(slave)


def test_the_gauges_top_is_what_its_board_says(
    tmp_path: Path, capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    """1,034,214 Pa are 150 psi (6,894.757 Pa a psi: NIST SP 811, appendix B); the only port needs no question."""
    master, slave = os.openpty()
    tty.setraw(slave)
    words = b"# full scale: b1-pot 1034214 Pa\n" + encode([("pot", 900.0, None, "Pa")], board="b1-")
    code = f"import os,time\nfor _ in range(40): os.write({master}, {words!r}); time.sleep(.05)"
    talking = subprocess.Popen([sys.executable, "-c", code], pass_fds=[master])
    monkeypatch.setattr(init, "found_ports", lambda: {os.ttyname(slave): "a board"})
    try:
        assert cli.main(["init", str(tmp_path), "--listen", "0.6", "--yes", *POT]) == 0
    finally:
        talking.kill()
        talking.wait(5)
        os.close(master)
        os.close(slave)
    assert bench(tmp_path)["channel"][0]["range"] == ["-2 psi", "150 psi"]
    assert "one that reads to 150 psi; is that what is printed on it?" in capsys.readouterr().out


def test_no_port_and_several_ports_are_told(
    tmp_path: Path, capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(init, "found_ports", dict)
    assert cli.main(["init", str(tmp_path), "--yes"]) == 1
    assert "no serial port is found" in capsys.readouterr().err
    monkeypatch.setattr(init, "found_ports", lambda: {"/dev/ttyACM0": "a", "/dev/ttyACM1": "b"})
    assert cli.main(["init", str(tmp_path), "--yes"]) == 1
    assert "several ports are found: name the board's with --port" in capsys.readouterr().err


def test_a_port_keeps_the_name_that_lasts(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """/dev/serial/by-id names a board whatever number the kernel gives it (udev:
    https://github.com/systemd/systemd/blob/main/rules.d/60-serial.rules)."""
    device = tmp_path / "ttyACM7"
    device.touch()
    by_id = tmp_path / "by-id"
    by_id.mkdir()
    (by_id / "usb-board-if00").symlink_to(device)

    class Found:
        vid = 0x2E8A
        description = "a board\x1b[2J"

        def __init__(self, device: str) -> None:
            self.device = device

    monkeypatch.setattr(init, "BY_ID", by_id)
    monkeypatch.setattr(list_ports, "comports", lambda: [Found(str(device)), Found("/dev/ttyACM8")])
    assert init.found_ports() == {str(by_id / "usb-board-if00"): "a board [2J", "/dev/ttyACM8": "a board [2J"}


def test_asked_at_a_terminal_the_answers_count(
    board: PtyBoard, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    replies = {
        "what is it?": iter(["", "kettle", "pot_pressure", "", "", "-", ""]),
        "whole inside": iter(["sixteen", "12 l"]), "written on the pot": iter(["50 psi"]),
        "relief valve lifts": iter(["45 psi"]), "studio": iter(["My Shed"]), "this bench": iter(["South bench"]),
        "sensor read to": iter([""]),
    }  # fmt: skip

    def reply(question: str) -> str:
        return next(next(words) for key, words in replies.items() if key in question)

    monkeypatch.setattr("builtins.input", reply)
    monkeypatch.setattr("sys.stdin.isatty", lambda: True, raising=False)
    assert cli.main(["init", str(tmp_path), "--port", board.port, "--listen", "1"]) == 0
    said = bench(tmp_path)
    assert said["bench"] == {"shop": "my-shed", "name": "South bench", "default_resin": "fast-white"}
    assert said["pot"]["pot"] == {"name": "Pot", "volume": "12 l", "marked": "50 psi", "relief": "45 psi"}
    assert len(said["channel"]) == 5


def test_a_broker_on_this_machine_is_found(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    with socket.create_server(("127.0.0.1", 0)) as broker:
        monkeypatch.setattr(init, "BROKER", broker.getsockname()[:2])
        assert cli.main(["init", str(tmp_path), "--simulate"]) == 0
        assert bench(tmp_path)["mqtt"] == {"host": "127.0.0.1", "port": broker.getsockname()[1]}


@pytest.mark.parametrize(
    ("said", "expected"),
    [
        ("none", None),
        ("bench-hub.local:8883", {"host": "bench-hub.local", "port": 8883}),
        ("10.0.0.5", {"host": "10.0.0.5", "port": 1883}),
    ],
)
def test_a_broker_may_be_named(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, said: str, expected: dict[str, Any] | None
) -> None:
    monkeypatch.setattr(init, "BROKER", ("127.0.0.1", 1883))
    assert cli.main(["init", str(tmp_path), "--simulate", "--broker", said]) == 0
    assert bench(tmp_path).get("mqtt") == expected


def heard(**units: str) -> dict[str, Name]:
    names = {name.replace("_", "-"): Name(unit) for name, unit in units.items()}
    for said in names.values():
        said.values.append((0.0, 20.0))
    return names


def test_guesses_follow_names_and_units() -> None:
    """Names the example boards send (cup, cj, pot, room, rh), and others a caster might choose."""
    names = heard(
        b1_cup="Cel", b1_cj="Cel", b1_pot="Pa", b1_room="Cel", b1_rh="%RH", b1_tank="Pa", kettle="V", pot_gas="Cel",
        witness2="Cel", room2="Cel", scale="g", m1_mold="Cel",
    )  # fmt: skip
    assert guess_roles(names) == {
        "b1-cup": "cup_temperature", "b1-cj": "", "b1-pot": "pot_pressure", "b1-room": "room_temperature",
        "b1-rh": "room_humidity", "b1-tank": "tank_pressure", "kettle": "", "pot-gas": "pot_gas_temperature",
        "witness2": "cup_temperature", "room2": "", "scale": "scale", "m1-mold": "",
    }  # fmt: skip


def test_a_pressure_that_stands_at_that_of_the_air_is_a_barometer() -> None:
    """101,325 Pa: the standard atmosphere of ISO 2533."""
    names = {"p1": Name("Pa"), "pot": Name("Pa")}
    for said in names.values():
        said.values.append((0.0, 101_325.0))
    assert guess_roles(names) == {"p1": "barometer", "pot": "pot_pressure"}


@pytest.mark.parametrize("text", ['a "b"', "a\\b", "a\nb", "é\x7f\x00", "[x] # y"])
def test_any_text_is_written_as_toml(text: str) -> None:
    assert tomllib.loads(f"x = {written(text)}") == {"x": text}


def test_from_an_empty_folder_to_live_plotted_lines_in_three_commands(tmp_path: Path) -> None:
    """init, run, lines, each a process of its own, the plot drawn on a terminal; then the pour is in the log too."""
    environment = os.environ | {"RUNTIME_DIRECTORY": str(tmp_path / "run"), "TERM": "xterm", "NO_COLOR": "1"}
    command = [sys.executable, "-m", "benchd"]
    folder = tmp_path / "trial"
    subprocess.run([*command, "init", "--simulate", str(folder)], check=True, timeout=90, stdout=subprocess.DEVNULL)
    with (tmp_path / "log").open("w") as log:
        watching = subprocess.Popen(
            [*command, "run", "-c", str(folder / "bench.toml"), "--no-page", "--rate", "30"], env=environment,
            stderr=log,
        )  # fmt: skip
    master, slave = os.openpty()
    try:
        while not (tmp_path / "run" / "benchd.sock").exists():
            assert watching.poll() is None, (tmp_path / "log").read_text()
            time.sleep(0.05)
        time.sleep(1.0)  # a person changes windows
        looking = subprocess.Popen([*command, "lines", "--for", "3"], env=environment, stdout=slave)
        assert looking.wait(90) == 0
        os.set_blocking(master, False)
        drawn = b""
        with contextlib.suppress(BlockingIOError):
            while True:
                drawn += os.read(master, 65536)
        last = drawn.decode().split("\x1b[7A")[-1]
        for channel in ("cup-1-temperature", "barrel-pressure", "room-humidity"):
            (row,) = [line for line in last.splitlines() if channel in line]
            assert len(set(row) & set("▁▂▃▄▅▆▇█")) >= 2, row
        assert "\x1b[3" not in last  # NO_COLOR
        listed = subprocess.run(
            [*command, "log", "-c", str(folder / "bench.toml")], env=environment, capture_output=True, text=True,
            timeout=90, check=True,
        )  # fmt: skip
        assert "mark mix" in listed.stdout
        assert "pour 1 started for" in listed.stdout
    finally:
        watching.kill()
        watching.wait(5)
        os.close(master)
        os.close(slave)


def test_a_line_the_board_sends_is_one_encode_writes(board: PtyBoard) -> None:
    """The listener understands what the daemon does: the same reader, so the same refusals."""
    from benchd.runtime.serial.overhear import Overheard

    said = Overheard()
    said.take(encode([("cup", 21.5, None, "Cel")], board="b1-", fault="pot open").removesuffix(b"\n"), 0.0)
    said.take(b"\xff", 1.0)
    said.take(b"[] 00000000", 2.0)
    assert {name: one.last for name, one in said.names.items()} == {"b1-cup": 21.5}
    assert (said.boards, said.faults, said.lines) == (["b1-"], ["pot open"], 1)
    assert said.refused == {"not text": 1, "crc": 1}
