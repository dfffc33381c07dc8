"""Do words reach the push services they are for, without holding up the bench?  A real library, loopback targets."""

from __future__ import annotations

import asyncio
import contextlib
import json
import logging
import threading
from collections.abc import AsyncIterator, Iterator
from dataclasses import replace
from http.server import BaseHTTPRequestHandler, ThreadingHTTPServer
from pathlib import Path
from typing import Any

import pytest
from outlet_tools import Bench, leak, run, word
from phone import until

from benchd.core.model import Utterance
from benchd.errors import OutletError
from benchd.outlets import push
from benchd.outlets.push import PushOutlet, Settings, make, read_targets


class Service:
    """A push service on loopback: what it was sent; `status` is its answer, which waits while `held` is not set."""

    def __init__(self) -> None:
        self.got: list[tuple[str, Any]] = []
        self.status = 200
        self.held = threading.Event()
        self.held.set()
        outer = self

        class Handler(BaseHTTPRequestHandler):
            def do_POST(self) -> None:
                body = self.rfile.read(int(self.headers.get("Content-Length", "0")))
                outer.held.wait(30.0)
                outer.got.append((self.path, json.loads(body) if body else None))
                self.send_response(outer.status)
                self.send_header("Content-Length", "0")
                self.end_headers()

            do_GET = do_POST  # noqa: N815

            def log_message(self, format: str, *args: Any) -> None:
                pass

        self.server = ThreadingHTTPServer(("127.0.0.1", 0), Handler)
        self.port = self.server.server_address[1]
        threading.Thread(target=self.server.serve_forever, args=(0.05,), daemon=True).start()

    def says(self, path: str) -> list[str]:
        return [body["message"] for at, body in self.got if at == path]

    def close(self) -> None:
        self.server.shutdown()
        self.server.server_close()


@pytest.fixture
def service() -> Iterator[Service]:
    made = Service()
    yield made
    made.close()


def targets(folder: Path, *lines: str) -> Path:
    path = folder / "push.targets"
    path.write_text("# who is told\n\n" + "\n".join(lines) + "\n")
    path.chmod(0o600)
    return path


@contextlib.asynccontextmanager
async def running(outlet: PushOutlet) -> AsyncIterator[PushOutlet]:
    async with run(outlet):
        await asyncio.sleep(0.05)
        yield outlet


def said(bench: Bench, text: str, priority: int = 3, code: str = "", until_s: float = 30.0) -> Utterance:
    return replace(word(bench.tools.clock.now(), text, until_s, priority), code=code or text)


@pytest.mark.filterwarnings("ignore::DeprecationWarning")  # one of the library's many services uses an old module
async def test_each_target_hears_the_priorities_it_is_for(tmp_path: Path, service: Service) -> None:
    """Through the real library; what is said while it loads waits for it, and the last delivery of each is kept."""
    bench = Bench()
    path = targets(tmp_path, f"1   json://127.0.0.1:{service.port}/loud", f"1-3 json://127.0.0.1:{service.port}/all")
    began = bench.tools.clock.now()
    async with running(make(Settings(targets_file=path), bench.tools)):
        assert bench.tools.bulletin._listeners
        bench.tell(said(bench, "Pot over pressure. Shut the air off.", 1), said(bench, "Lid now.", until_s=300.0))
        await until(lambda: len(service.got) == 3, 60.0)
        await until(lambda: len(bench.tools.health.delivered) == 2)
    assert service.says("/loud") == ["Pot over pressure. Shut the air off."]
    assert service.says("/all") == ["Pot over pressure. Shut the air off.", "Lid now."]
    assert {name for name, t in bench.tools.health.delivered.items() if t >= began} == {
        "push 1 (json)", "push 2 (json)",
    }  # fmt: skip


class Fake:
    """A service in memory: fails the first `failures` times."""

    def __init__(self, failures: int = 0) -> None:
        self.failures = failures
        self.tried: list[str] = []
        self.taken: list[str] = []

    def __call__(self, url: str, title: str, body: str) -> bool:
        self.tried.append(body)
        if len(self.tried) <= self.failures:
            return False
        self.taken.append(body)
        return True


async def test_an_alarm_is_not_pushed_with_every_repeat(tmp_path: Path) -> None:
    bench, fake = Bench(), Fake()
    settings = Settings(targets_file=targets(tmp_path, "1-3 json://127.0.0.1/x"))
    async with running(PushOutlet(settings, bench.tools, fake)):
        for _ in range(5):
            bench.tell(said(bench, "Pot creeping up. Shut the inlet.", 2, "pot-creeping"))
            await asyncio.sleep(0.02)
        await until(lambda: len(fake.taken) == 1)
        await asyncio.sleep(0.1)
    assert fake.taken == ["Pot creeping up. Shut the inlet."]


async def test_so_many_a_minute_and_no_more_but_priority_one(tmp_path: Path) -> None:
    bench, fake = Bench(), Fake()
    settings = Settings(targets_file=targets(tmp_path, "1-3 json://127.0.0.1/x"), most_per_min=3)
    async with running(PushOutlet(settings, bench.tools, fake)):
        bench.tell(*(said(bench, f"Call {n}.") for n in range(10)))
        bench.tell(said(bench, "Pot letting go. Stand clear.", 1))
        await until(lambda: len(fake.taken) == 4)
    assert "Pot letting go. Stand clear." in fake.taken
    assert bench.tools.health.dropped["push-limited"] == 7


async def test_in_quiet_hours_priority_one_alone(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    night = 1_767_657_600.0  # 2026-01-06 00:00:00 UTC = 01:00 in Oslo
    for t, expected in ((night, ["Pot letting go."]), (night + 12 * 3600.0, ["Pot letting go.", "Hold done."])):
        bench, fake = Bench(), Fake()
        monkeypatch.setattr(bench.tools.clock, "now", lambda t=t: t)
        settings = Settings(
            targets_file=targets(tmp_path, "1-3 json://x"), quiet_hours="22:00-07:00", timezone="Europe/Oslo"
        )
        async with running(PushOutlet(settings, bench.tools, fake)):
            bench.tell(said(bench, "Pot letting go.", 1), said(bench, "Hold done.", 3))
            await until(lambda fake=fake, expected=expected: len(fake.taken) >= len(expected))  # type: ignore[misc]
            await asyncio.sleep(0.05)
        assert fake.taken == expected


async def test_a_failure_is_told_once_and_tried_again(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, caplog: pytest.LogCaptureFixture
) -> None:
    monkeypatch.setattr(push, "RETRY_FIRST_S", 0.05)
    bench, fake = Bench(), Fake(failures=3)
    settings = Settings(targets_file=targets(tmp_path, "1-3 json://127.0.0.1/secret-token"))
    with caplog.at_level(logging.DEBUG):
        async with running(PushOutlet(settings, bench.tools, fake)):
            bench.tell(said(bench, "Hold done."))
            await until(lambda: fake.taken == ["Hold done."])
    assert len(fake.tried) == 4
    told = [record.getMessage() for record in caplog.records if record.levelno >= logging.WARNING]
    assert told == ["push 1 (json): cannot be reached, trying again"]
    assert bench.tools.health.last_error == told[0]
    assert "secret-token" not in caplog.text


async def test_alarms_are_retried_while_they_stand_and_calls_until_stale(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(push, "RETRY_FIRST_S", 0.05)
    monkeypatch.setattr(push, "RETRY_MOST_S", 0.1)
    bench, fake = Bench(), Fake(failures=10**6)
    settings = Settings(targets_file=targets(tmp_path, "1-3 json://127.0.0.1/x"))
    async with running(PushOutlet(settings, bench.tools, fake)) as outlet:
        now = bench.tools.clock.now()
        bench.tell(leak(now), replace(said(bench, "Call.", 3, until_s=0.2)))
        alarm = replace(said(bench, "Six minutes to floor.", 2, "pot-leaking", 0.2), subject=leak(now).subject)
        bench.tell(alarm)
        await asyncio.sleep(0.8)
        assert [letter.word.say for letter in outlet._letters] == ["Six minutes to floor."]
        bench.tell(leak(now + 1, active=False))
        await until(lambda: not outlet._letters)
    assert bench.tools.health.dropped["push-too-late"] == 2


@pytest.mark.filterwarnings("ignore::DeprecationWarning")  # one of the library's many services uses an old module
async def test_a_slow_service_holds_up_nothing(tmp_path: Path, service: Service) -> None:
    """While one request hangs, the loop turns and the queue stays bounded."""
    service.held.clear()
    bench = Bench()
    path = targets(tmp_path, f"1-3 json://127.0.0.1:{service.port}/slow")
    async with running(make(Settings(targets_file=path, most_per_min=60), bench.tools)) as outlet:
        await until(lambda: bool(bench.tools.bulletin._listeners), 20.0)
        bench.tell(*(said(bench, f"Call {n}.") for n in range(50)))
        for _ in range(50):
            await asyncio.sleep(0.005)
        assert service.got == []  # a loop that waited for the answer would not have come here before it
        assert len(outlet._letters) <= push.QUEUE_MOST
        service.held.set()
    assert bench.tools.health.dropped["push-full"] >= 25


@pytest.mark.parametrize("line", ["json://host", "0-2 json://host", "1-3 nothing", "3-"])
def test_a_wrong_line_is_named_without_its_address(tmp_path: Path, line: str) -> None:
    with pytest.raises(OutletError, match=r"line 3: write priorities") as caught:
        read_targets(targets(tmp_path, line))
    assert "host" not in str(caught.value).replace("json://host", "")


def test_a_file_others_may_read_is_refused(tmp_path: Path) -> None:
    path = targets(tmp_path, "1 json://127.0.0.1/token-77")
    path.chmod(0o644)
    with pytest.raises(OutletError, match="chmod 600"):
        read_targets(path)
    path.chmod(0o600)
    assert "token-77" not in repr(read_targets(path))


def test_an_empty_file_is_refused(tmp_path: Path) -> None:
    with pytest.raises(OutletError, match="names no target"):
        read_targets(targets(tmp_path))
