"""Does a leak test of an empty pot say what the pot is, from a recording and from a running watch?

Truth: the rehearsed bench, its own physics.  "0.1 mm loses about 0.3 psi/min, 0.2 mm 1.3" in 13 l: computed.
"""

from __future__ import annotations

import re
import time
from dataclasses import replace
from pathlib import Path
from typing import Any

import pytest
from rehearsed.lines import recording_lines

from benchd.cli import main
from benchd.commands import leaktest
from benchd.core.format.record import to_json
from benchd.plugins import load_settings
from benchd.rehearsal import Rehearsal, Scenario
from benchd.rehearsal.acts import Act
from benchd.rehearsal.scenario import BoardSpec, LotSpec, PotSpec
from benchd.rehearsal.vessel import VesselSpec

ROOT = Path(__file__).parents[2]
CONFIG = ROOT / "config" / "bench.toml"
T0 = 1_767_607_200.0


def scenario(leak_mm: float, shut_s: float = 230.0) -> Scenario:
    """An empty 16.5 l pot: air on at 10 s, shut after three minutes, watched for ten."""
    acts = (
        Act(at_s=0.0, do="mix", cup="cup-1", lot="R-07", a_g=30.0, b_g=27.0),  # a cup cures beside it; none is told
        Act(at_s=5.0, do="lid"),
        Act(at_s=10.0, do="inlet_open"),
        Act(at_s=shut_s, do="inlet_shut", way="typed", pot="barrel"),
    )
    return Scenario(
        name="empty", lead_s=20.0, end_s=840.0, board=BoardSpec(hz=1.0), acts=acts,
        lots=(LotSpec(code="R-07"),),
        pot=PotSpec(leak_mm=leak_mm, inlet_mm=1.6, resolution_psi=0.02),
        vessel=replace(VesselSpec(), free_l=16.5, soak_share=0.0),
    )  # fmt: skip


def recording(path: Path, leak_mm: float) -> Path:
    loaded = load_settings(CONFIG)
    head = '{"recording": 0, "bench": "north"}'
    lines = [head, to_json(loaded.context(T0)), *recording_lines(scenario(leak_mm), T0, seed=5)]
    path.write_text("\n".join(lines) + "\n", "utf-8")
    return path


def judge(path: Path, capsys: pytest.CaptureFixture[str]) -> str:
    assert main(["leaktest", "barrel", "-c", str(CONFIG), "--recording", str(path)]) == 0
    return capsys.readouterr().out


def test_a_tight_pot_is_told_tight_to_a_number(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    out = judge(recording(tmp_path / "r.jsonl", 0.0), capsys)
    found = re.search(r"no leak above (\d\.\d+) psi/min was seen in 10 min", out)
    assert found is not None, out
    assert 0.0 < float(found[1]) <= 0.2
    assert "First test" in out


def test_a_small_leak_is_sized_and_told_where_to_look(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    out = judge(recording(tmp_path / "r.jsonl", 0.12), capsys)
    found = re.search(r"leaks (\d\.\d+) psi/min .* hole of (\d\.\d+) mm", out)
    assert found is not None, out
    assert float(found[1]) == pytest.approx(0.3 * (0.12 / 0.1) ** 2 * 13.0 / 16.5, rel=0.3)
    assert float(found[2]) == pytest.approx(0.12, rel=0.2)
    assert "Look first at: relief seat, gauge thread" in out


def test_nothing_gives_leave_to_open(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    out = judge(recording(tmp_path / "r.jsonl", 0.3), capsys)
    assert "gasket" in out
    assert not re.search(r"\bsafe\b|you can open|ok to open", out.lower())


def test_a_pot_never_shut_is_not_judged(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    path = recording(tmp_path / "r.jsonl", 0.0)
    path.write_text("\n".join(path.read_text("utf-8").splitlines()[:60]) + "\n", "utf-8")
    assert main(["leaktest", "barrel", "-c", str(CONFIG), "--recording", str(path)]) == 1
    assert "benchd mark shut" in capsys.readouterr().err


def test_an_unknown_pot_is_answered_with_those_there_are(capsys: pytest.CaptureFixture[str]) -> None:
    assert main(["leaktest", "barel", "-c", str(CONFIG)]) == 78
    assert "barrel" in capsys.readouterr().err


def test_the_running_watch_is_followed_and_the_result_noted(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    """A watch played from the rehearsal: each question finds the bench a second later."""
    text = CONFIG.read_text("utf-8") + f'\n[journal]\npath = "{tmp_path / "j.db"}"\n'
    (tmp_path / "bench.toml").write_text(text, "utf-8")
    (tmp_path / "resins").symlink_to(ROOT / "config" / "resins")
    (tmp_path / "shelf.toml").symlink_to(ROOT / "config" / "shelf.toml")
    frames = Rehearsal(scenario(0.2), seed=3).frames()
    marks: list[dict[str, Any]] = []

    def ask(method: str, route: str, body: dict[str, Any] | None = None) -> tuple[int, dict[str, Any]]:
        if method == "POST":
            marks.append(body or {})
            return 200, {"ok": True}
        frame = next(frames)
        pa = frame.readings["pot"] or 0.0
        pot = {"t": T0 + frame.t_s, "role": "pot_pressure", "of": "barrel", "value": pa / 1e3, "quality": "good"}
        phase = "isolated" if frame.t_s >= 250.0 else "fed"
        return 200, {"rate": 100.0, "readings": [pot], "cards": [{"of": "pot", "id": "barrel", "phase": phase}]}

    monkeypatch.setattr(leaktest, "ask", ask)
    monkeypatch.setattr(time, "sleep", lambda _: None)
    assert main(["leaktest", "barrel", "-c", str(tmp_path / "bench.toml"), "--minutes", "8"]) == 0
    out = capsys.readouterr().out
    assert "Never tighten a clamp under pressure" in out
    assert "leaks" in out
    assert marks[0]["verb"] == "note"
    assert leaktest.NOTE.search(marks[0]["text"]) is not None


def test_the_trend_tells_a_pot_that_got_worse() -> None:
    past = [(T0 + 86_400.0 * i, 0.05 + 0.01 * i, "tight-to") for i in range(5)]
    worse, same = leaktest.trend(0.4, past), leaktest.trend(0.08, past)
    assert worse[-1] == "It leaks more than it used to."
    assert len(same) == 1
    assert "2026-01-05 +0.05" in same[0]
