"""`benchd phone`: is a phone proved by its own answer alone, and are loss signals told as they are?"""

from __future__ import annotations

import asyncio
import os
import subprocess
import sys
import time
from datetime import UTC
from pathlib import Path
from zoneinfo import ZoneInfo

import pytest
from daemon import Daemon, running, wait_for
from mosquitto import needs_mosquitto
from mosquitto import running as broker_running
from outlets.test_push import Service, targets
from phone import Phone

from benchd import cli
from benchd.commands import phone as command
from benchd.commands.check.loss_signals import is_here, signals, told
from benchd.core.casting.desk.notes import PHONE_TESTED
from benchd.core.model import MarkAnswer
from benchd.outlets.mqtt import Settings as Mqtt
from benchd.outlets.speaker import Settings as Speaker
from benchd.plugins import load_settings
from benchd.runtime.journal.journal import Journal
from benchd.runtime.journal.rows import Writes

ROOT = "benchd/v0/quiet-harbour/north"
CONFIG = Path(__file__).parents[2] / "config" / "bench.toml"


def phone(daemon: Daemon, *arguments: str) -> subprocess.Popen[str]:
    env = os.environ | {"RUNTIME_DIRECTORY": str(daemon.folder / "run"), "PYTHONUNBUFFERED": "1"}
    command = [sys.executable, "-m", "benchd", "phone", "-c", str(daemon.folder / "bench.toml"), *arguments]
    return subprocess.Popen(command, env=env, stdout=subprocess.PIPE, stderr=subprocess.STDOUT, text=True)


@needs_mosquitto
async def test_bench_to_phone_and_back_over_a_broker_and_a_push_service(tmp_path: Path) -> None:
    """The word arrives on `say` and at the service; `heard` from the phone, not the command, proves it."""
    service = Service()
    extra = f'\n[push]\ntargets_file = "{targets(tmp_path, f"1-3 json://127.0.0.1:{service.port}/x")}"\n'
    (tmp_path / "broker").mkdir()
    with broker_running(tmp_path / "broker") as broker:
        daemon = Daemon(tmp_path / "d", mqtt_port=broker.port, extra=extra)
        try:
            await asyncio.to_thread(daemon.start)
            async with Phone(broker.port) as pocket:
                await pocket.hears(f"{ROOT}/up", 10.0)
                testing = phone(daemon, "--test", "--wait", "60")  # the push library may still be loading
                said = (await pocket.hears(f"{ROOT}/say", 60.0))[0]
                assert said["say"] == "Phone test. Press heard."
                pocket.send(f"{ROOT}/do/heard", "{}")
                answered = (await pocket.hears(f"{ROOT}/did/heard"))[0]
                assert (answered["ok"], answered["why"]) == (True, "phone tested")
                out, _ = await asyncio.to_thread(testing.communicate, None, 30)
            assert testing.returncode == 0, out
            assert "The phone answered at" in out
            assert "phone: last tested 20" in out
            assert "say: last delivered" in out
            assert await asyncio.to_thread(wait_for, lambda: service.says("/x") == ["Phone test. Press heard."])
            assert "- last-will: the broker at 127.0.0.1 is on this machine and ends with it" in out
            assert "+ page-blind:" in out
        finally:
            daemon.close()
            service.close()


async def test_an_answer_within_the_rounding_of_the_states_clock_is_found(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """/api/v0/state rounds its time to a tenth, up as well as down: a quick phone answers before the time it told."""
    writes = Writes()
    writes.add_effect(1, 1, MarkAnswer(t=1_767_606_000.97, id="h1", verb="heard", ok=True, why=PHONE_TESTED))
    async with Journal(tmp_path / "journal.db") as journal:
        await journal.write(writes)
    answers = {"GET": {"now": 1_767_606_001.0}, "POST": {"ok": True, "why": ""}}
    monkeypatch.setattr(command, "ask", lambda method, *_: (200, answers[method]))
    assert await asyncio.to_thread(command.test, tmp_path / "journal.db", 0.0, ZoneInfo("UTC")) == 0


@pytest.mark.wide
def test_without_an_answer_nothing_is_proved_and_a_tried_signal_is_remembered(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    with running(tmp_path / "d") as daemon:
        silent = phone(daemon, "--test", "--wait", "0.5")
        out, _ = silent.communicate(timeout=30)
        assert silent.returncode == 1
        assert "No phone answered." in out
        assert "phone: never tested" in out
        assert "then: benchd phone --tested page-blind" in out
        monkeypatch.setenv("RUNTIME_DIRECTORY", str(daemon.folder / "run"))
        config = ["-c", str(daemon.folder / "bench.toml")]
        assert cli.main(["phone", *config, "--tested", "page-blind"]) == 0
        assert capsys.readouterr().out == "noted: page-blind tested\n"
        cli.main(["phone", *config])
        out = capsys.readouterr().out
        assert f"last tested {time.strftime('%Y-')}" in out.split("page-blind", 1)[1].splitlines()[0]


def test_without_a_daemon_it_lists_what_the_files_say(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    monkeypatch.setenv("RUNTIME_DIRECTORY", str(tmp_path))
    assert cli.main(["phone", "-c", str(CONFIG)]) == 0
    out = capsys.readouterr().out
    assert "benchd is not running" in out
    assert "- deadman: no [deadman] table" in out


def test_a_last_will_counts_only_from_another_machine() -> None:
    from dataclasses import replace

    loaded = load_settings(CONFIG)
    here = replace(loaded, outlets={"mqtt": Mqtt(host="127.0.0.1")})
    there = replace(loaded, outlets={"mqtt": Mqtt(host="192.0.2.7"), "speaker": Speaker()})  # RFC 5737, TEST-NET-1
    assert [s.exists for s in signals(here, {})] == [False, True, False, False]
    assert [s.exists for s in signals(there, {})] == [True, True, False, True]
    lines = told(signals(there, {"last-will": 1_767_606_000.0}), UTC)
    assert lines[0] == "last-will: the broker at 192.0.2.7 says gone; last tested 2026-01-05 09:40"
    assert lines[3].endswith("never tested")
    assert [is_here(h) for h in ("::1", "127.0.0.9", "LOCALHOST", "fe80::1%eth0", "hub.example")] == [
        True, True, True, False, False,
    ]  # fmt: skip


def test_check_names_the_loss_signals(capsys: pytest.CaptureFixture[str]) -> None:
    assert cli.main(["check", "-c", str(CONFIG), "--files-only"]) == 0
    out = capsys.readouterr().out
    assert "If benchd itself were gone" in out
    assert "page-blind" in out
