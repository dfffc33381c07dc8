"""`benchd replay`: the same lines every time, nothing else on standard output, the exit codes of the contract."""

from __future__ import annotations

import json
import shutil
from pathlib import Path
from typing import Any

import pytest
from recordings_by_hand import START_T, board_line, context, fill_and_vent, write

from benchd import cli

CONFIG = Path(__file__).parents[2] / "config"


def replayed(capsys: pytest.CaptureFixture[str], *arguments: str, code: int = 0) -> tuple[str, str]:
    assert cli.main(["replay", *arguments]) == code
    said = capsys.readouterr()
    return said.out, said.err


def objects(out: str) -> list[dict[str, Any]]:
    return [json.loads(line) for line in out.splitlines()]


@pytest.fixture
def recording(tmp_path: Path) -> Path:
    return write(tmp_path / "load.jsonl", [context(), *fill_and_vent()])


def test_each_line_is_one_finding_alert_or_utterance_in_order(
    recording: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    out, err = replayed(capsys, str(recording), "--json")
    told = objects(out)
    assert all(sum(kind in o for kind in ("finding", "alert", "say")) == 1 for o in told)
    assert [o["t"] for o in told] == sorted(o["t"] for o in told)
    names = [o["finding"] for o in told if "finding" in o]
    assert names.index("pot_filling") < names.index("pot_at_pressure") < names.index("pot_vented")
    at_pressure = next(o for o in told if o.get("finding") == "pot_at_pressure")
    # 35 psi of 42 in 30 s: passed 25 s after the fill's start at second 21
    assert at_pressure["since"] == pytest.approx(START_T + 21 + 25, abs=1.5)
    assert at_pressure["subject"]["pot"] == at_pressure["pot"] == "barrel"
    assert err == "161 inputs\n"


def test_lines_are_compact_and_byte_identical_twice(recording: Path, capsys: pytest.CaptureFixture[str]) -> None:
    first, _ = replayed(capsys, str(recording))
    second, _ = replayed(capsys, str(recording))
    assert first == second
    assert first.splitlines()[0] == json.dumps(objects(first)[0], separators=(",", ":"), ensure_ascii=False)


def test_until_stops_there_by_length_or_by_time(recording: Path, capsys: pytest.CaptureFixture[str]) -> None:
    whole, _ = replayed(capsys, str(recording))
    short, _ = replayed(capsys, str(recording), "--until", "60")
    same, _ = replayed(capsys, str(recording), "--until", str(START_T + 60))
    assert short == same
    assert short
    assert whole.startswith(short)
    assert len(whole) > len(short)
    assert all(o["t"] <= START_T + 60 for o in objects(short))


def test_until_after_the_end_lets_time_go_on(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """A board that fell silent is told so only as time passes."""
    path = write(tmp_path / "x.jsonl", [context(), *(board_line(START_T + i, i, 0.0) for i in range(1, 10))])
    ends, _ = replayed(capsys, str(path))
    goes_on, _ = replayed(capsys, str(path), "--until", "120")
    assert "sensor_silent" not in ends
    assert "sensor_silent" in goes_on


def test_a_given_config_replaces_the_recordings_and_is_said_on_stderr(
    recording: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    home = tmp_path / "config"
    shutil.copytree(CONFIG, home)
    own, _ = replayed(capsys, str(recording))
    path = home / "bench.toml"
    path.write_text(path.read_text().replace('floor = "35 psi"', 'floor = "20 psi"'))
    out, err = replayed(capsys, str(recording), "-c", str(path))
    assert err.startswith(f"config: {path} in place of the recording's\n")

    def since(text: str) -> float:
        return float(next(o["since"] for o in objects(text) if o.get("finding") == "pot_at_pressure"))

    assert since(out) < since(own) - 5  # 20 psi comes 10.7 s before 35


def test_a_given_config_serves_a_recording_that_has_none(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    path = write(tmp_path / "bare.jsonl", fill_and_vent())
    bare, _ = replayed(capsys, str(path))
    out, _ = replayed(capsys, str(path), "-c", str(CONFIG / "bench.toml"))
    assert "pot_at_pressure" not in bare
    assert "pot_at_pressure" in out


def test_bad_lines_inside_are_counted_and_passed_over(recording: Path, capsys: pytest.CaptureFixture[str]) -> None:
    clean, _ = replayed(capsys, str(recording))
    lines = recording.read_bytes().splitlines(keepends=True)
    torn = [*lines[:40], b"{\n", b"\xff\xfe\n", b'{"t":1,"what":2}\n', *lines[40:], b'{"t":1767607400,"sou']
    recording.write_bytes(b"".join(torn))
    out, err = replayed(capsys, str(recording))
    assert out == clean
    assert err.startswith("161 inputs, 4 bad lines left out (first: line 41: ")


@pytest.mark.parametrize("content", [b"", b"{}\n", b"\x00\x01\x02", b'{"recording":99,"bench":"n"}\n', b"[1]\n"])
def test_what_is_no_recording_is_three(tmp_path: Path, content: bytes, capsys: pytest.CaptureFixture[str]) -> None:
    path = tmp_path / "x.jsonl"
    path.write_bytes(content)
    out, err = replayed(capsys, str(path), code=3)
    assert out == ""
    assert err.startswith(f"error: {path}: ")


def test_a_missing_file_is_three_and_a_bad_config_78(
    tmp_path: Path, recording: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    _, err = replayed(capsys, str(tmp_path / "none.jsonl"), code=3)
    assert "No such file" in err
    (tmp_path / "bench.toml").write_text("[bench]\n")
    out, err = replayed(capsys, str(recording), "-c", str(tmp_path / "bench.toml"), code=78)
    assert out == ""
    assert "bench.shop: is missing" in err


def test_a_shelf_alone_is_wrong_usage(recording: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    with pytest.raises(SystemExit) as caught:
        cli.main(["replay", str(recording), "--shelf", str(tmp_path / "shelf.toml")])
    assert caught.value.code == 2
    assert "--shelf goes with -c" in capsys.readouterr().err


def test_replay_reads_no_clock(
    recording: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    def refuse() -> float:
        raise AssertionError("a clock was read")

    clean, _ = replayed(capsys, str(recording))
    for name in ("time", "monotonic", "perf_counter"):
        monkeypatch.setattr(f"time.{name}", refuse)
    assert cli.main(["replay", str(recording)]) == 0
    monkeypatch.undo()
    assert capsys.readouterr().out == clean
