"""Does the check before a pour say what each sensor shows, and end in what is not watched?"""

from __future__ import annotations

import time
from dataclasses import replace
from functools import partial
from pathlib import Path
from typing import Any

import pytest

from benchd.cli import main
from benchd.commands import check
from benchd.commands.check import preflight
from benchd.plugins import load_settings

ROOT = Path(__file__).parents[2]
CONFIG = ROOT / "config" / "bench.toml"
PSI = 6.894757293168


def reading(role: str, of: str, value: float | None, age_s: float = 1.0) -> dict[str, Any]:
    return {"t": time.time() - age_s, "role": role, "of": of, "value": value, "quality": "good"}


def state(**changes: Any) -> dict[str, Any]:
    """A bench at rest at 21.5 C and 44 %, its tank full."""
    values: dict[str, tuple[str, str, float]] = {
        "pot": ("pot_pressure", "barrel", 0.3), "cup": ("cup_temperature", "cup-1", 21.9),
        "room": ("room_temperature", "", 21.5), "rh": ("room_humidity", "", 44.0),
        "tank": ("tank_pressure", "", 112 * PSI),
    }  # fmt: skip
    readings = [
        reading(r, of, changes.get(name, v))
        for name, (r, of, v) in values.items()
        if name not in changes.get("gone", ())
    ]
    return {"now": time.time(), "rate": 1.0, "readings": readings, "cards": [], "alerts": [], "health": {"heard": 0}}


class Daemon:
    """Answers like the daemon; presses heard after so many questions, if at all."""

    def __init__(self, bench: dict[str, Any], heard_after: int | None) -> None:
        self.bench, self.heard_after, self.asked, self.marks = bench, heard_after, 0, list[dict[str, Any]]()

    def ask(self, method: str, route: str, body: dict[str, Any] | None = None) -> tuple[int, dict[str, Any]]:
        if method == "POST":
            self.marks.append(body or {})
            return 200, {"ok": True}
        self.asked += 1
        is_heard = self.heard_after is not None and self.asked > self.heard_after
        return 200, self.bench | {"health": {"heard": int(is_heard)}}


def ran(
    daemon: Daemon, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str], *flags: str
) -> tuple[int, list[str]]:
    monkeypatch.setattr(check, "ask", daemon.ask)
    monkeypatch.setattr(preflight, "ask", daemon.ask)
    monkeypatch.setattr(preflight, "phone", partial(preflight.phone, wait=lambda _s: None))
    code = main(["check", "-c", str(CONFIG), "--before-pour", "--echo", "1", *flags])
    return code, capsys.readouterr().out.splitlines()


def word(lines: list[str], what: str) -> str:
    return next(line.split(what)[0].strip() for line in lines if line.startswith("  ") and f" {what}:" in line)


def test_a_ready_bench_is_answered_point_by_point(
    monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    daemon = Daemon(state(), heard_after=3)
    flags = ("--mask-hours", "3", "--cartridge-hours", "12", "--relief-lifted", "yes", "--drained", "yes")
    _, lines = ran(daemon, monkeypatch, capsys, *flags)
    for what in (
        "Barrel",
        "supply",
        "witness cup",
        "room",
        "clock",
        "disk",
        "mask",
        "cartridges",
        "relief",
        "tank water",
        "phone",
    ):
        assert word(lines, what) == "yes", (what, lines)
    assert word(lines, "gauge tap") == "not watched"
    assert lines[-1].startswith("Not watched: gauge tap, molds, Barrel's leak test, full scale, lids, clamps, bleed")
    assert lines[-1].endswith("Go is yours to say.")
    assert [m["text"] for m in daemon.marks if m["verb"] == "note"] == [
        "mask 3 h", "cartridges 12 h", "relief lifted", "tank drained",
    ]  # fmt: skip


@pytest.mark.parametrize(
    ("changes", "what", "expected"),
    [
        ({"pot": 42 * PSI}, "Barrel", "look"),
        ({"gone": ("pot",)}, "Barrel", "not watched"),
        ({"tank": 45 * PSI}, "supply", "look"),
        ({"gone": ("tank",)}, "supply", "not watched"),
        ({"cup": 70.0}, "witness cup", "look"),
        ({"gone": ("cup",)}, "witness cup", "not watched"),
        ({"rh": 64.0}, "room", "look"),
    ],
)
def test_what_wants_a_look_is_told(
    changes: dict[str, Any], what: str, expected: str, monkeypatch: pytest.MonkeyPatch,
    capsys: pytest.CaptureFixture[str],
) -> None:  # fmt: skip
    code, lines = ran(Daemon(state(**changes), heard_after=1), monkeypatch, capsys)
    assert word(lines, what) == expected
    assert code == 1 or expected == "not watched"


def test_a_phone_that_does_not_answer_is_not_watched(
    monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    _, lines = ran(Daemon(state(), heard_after=None), monkeypatch, capsys)
    assert word(lines, "phone") == "not watched"
    assert "phone" in lines[-1]
    assert not any("safe" in line.lower() for line in lines)


def test_wet_air_is_an_order_of_magnitude() -> None:
    """Computed by hand: 13 l at 21.5 C hold 18.9 g/m3 x 13 = 246 mg; room air of 44 % pressed 3.86 fold is 70 % too
    much: 170 mg condense, which is 229 ml of gas at one atmosphere (1 mg water -> 1.34 ml, computed)."""
    from benchd.plugins import load_settings

    bench = load_settings(CONFIG).bench
    typed = preflight.Typed()
    found = preflight.answers(bench, state(), typed, CONFIG, time.time())
    air = next(a for a in found if a.what == "Barrel's air")
    assert "about 200 mg of water, 200 ml" in air.why


@pytest.mark.parametrize(
    ("mold_c", "word", "is_wet"), [(40.0, "yes", False), (18.0, "look", False), (8.0, "look", True)]
)
def test_a_mold_below_the_rooms_dew_point_is_told(mold_c: float, word: str, is_wet: bool) -> None:
    # 21.5 C and 44 %RH: 8.7 C by the Magnus formula (17.62, 243.12 C; WMO-No. 8), computed by hand
    from benchd.plugins import load_settings

    bench, now = load_settings(CONFIG).bench, state()
    now["readings"].append(reading("mold_temperature", bench.molds[0].id, mold_c))
    typed = preflight.Typed()
    (molds,) = [a for a in preflight.answers(bench, now, typed, CONFIG, time.time()) if a.what == "molds"]
    assert molds.word == word
    assert ("below the room's dew point of 9 C" in molds.why) == is_wet


def test_a_probe_too_slow_for_a_kick_is_named() -> None:
    bench = load_settings(CONFIG).bench
    channels = tuple(replace(c, period_s=8.0) if c.role == "cup_temperature" else c for c in bench.channels)
    for shown, expected in ((bench, "yes"), (replace(bench, channels=channels), "look")):
        found = preflight.answers(shown, state(), preflight.Typed(), Path("journal.db"), time.time())
        (answer,) = [a for a in found if a.what == "witness cup"]
        assert answer.word == expected
    assert answer.why == "one reading in 8 s is too slow for a kick: 5 s at most"
