"""Do `benchd gather` and `benchd shop` run as a user would run them, and does the demo?  Processes of their own."""

from __future__ import annotations

import contextlib
import json
import re
import signal
import ssl
import subprocess
import sys
import time
import urllib.error
import urllib.request
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import postgres
import pytest
from gatherers import BROKER, count, publish, until
from mosquitto import Mosquitto, free_port, needs_mosquitto
from postgres import needs_postgres
from shop_records import casting_day

from benchd.workshop.database.postgres import Postgres

pytestmark = [needs_mosquitto, needs_postgres, pytest.mark.wide]


@contextlib.contextmanager
def command(*words: str) -> Iterator[subprocess.Popen[str]]:
    """A command at work; SIGTERM ends it, and it must end well."""
    process = subprocess.Popen(
        [sys.executable, "-m", "benchd", *words], stdout=subprocess.PIPE, stderr=subprocess.STDOUT, text=True
    )
    try:
        yield process
    finally:
        process.send_signal(signal.SIGTERM)
        out, _ = process.communicate(timeout=30)
    assert process.returncode == 0, out


def asked(url: str, token: str = "", body: dict[str, Any] | None = None) -> tuple[int, dict[str, Any]]:
    """Status and JSON; the certificate is the shop's own and not what is tested here."""
    headers = {"Content-Type": "application/json"} | ({"Authorization": f"Bearer {token}"} if token else {})
    request = urllib.request.Request(url, None if body is None else json.dumps(body).encode(), headers)
    context = ssl.create_default_context()
    context.check_hostname, context.verify_mode = False, ssl.CERT_NONE
    try:
        with urllib.request.urlopen(request, timeout=10, context=context) as answer:
            return answer.status, json.loads(answer.read())
    except urllib.error.HTTPError as error:
        with error:
            return error.code, json.loads(error.read())


def answering(url: str, process: subprocess.Popen[str], within_s: float = 60.0) -> tuple[int, dict[str, Any]]:
    deadline_s = time.monotonic() + within_s
    while time.monotonic() < deadline_s:
        assert process.poll() is None, process.communicate()[0]
        with contextlib.suppress(OSError, ValueError):
            return asked(url)
        time.sleep(0.1)
    raise AssertionError(f"{url} does not answer")


def test_gather_and_shop_from_a_file_to_a_paired_screen(tmp_path: Path) -> None:
    (tmp_path / "broker").mkdir()
    broker, port = Mosquitto(tmp_path / "broker", BROKER).start(), free_port()
    url, config = f"https://127.0.0.1:{port}", tmp_path / "workshop.toml"
    try:
        with postgres.running() as server:
            config.write_text(
                f'[broker]\nport = {broker.port}\n[database]\ndsn = "{server.dsn}"\n[gather]\nname = "gather-1"\n'
                f'[page]\nlisten = "127.0.0.1:{port}"\npairing = true\n'
            )
            database = Postgres(server.dsn)
            subprocess.run(
                [sys.executable, "-m", "benchd", "gather", "-c", str(config), "--prepare"], check=True, timeout=60,
                capture_output=True,
            )  # fmt: skip
            with command("gather", "-c", str(config)), command("shop", "-c", str(config)) as shop:
                assert answering(f"{url}/api/v0/wall", shop)[0] == 401
                time.sleep(1.0)  # the gatherer's session is there
                publish(broker.port, [("benchd/v0/quiet-harbour/north/up", "here"), *casting_day("north")])
                until(database, 6)
                paired = subprocess.run(
                    [sys.executable, "-m", "benchd", "shop", "-c", str(config), "--pair"], check=True, timeout=60,
                    capture_output=True, text=True,
                )  # fmt: skip
                codes = re.findall(r"\b[A-Z0-9]{4}[- ]?[A-Z0-9]{4}\b", paired.stdout)
                tokens = [asked(f"{url}/api/v0/pair", "", {"code": c, "name": "wall", "script": True}) for c in codes]
                token = next(str(said["token"]) for status, said in tokens if status == 200)
                status, wall = asked(f"{url}/api/v0/wall", token)
                assert (status, [b["id"] for b in wall["benches"]]) == (200, ["north"])
                assert len(asked(f"{url}/api/v0/recall?lot=R-07", token)[1]["parts"]) == 2
                assert asked(f"{url}/api/v0/marks", token, {"verb": "mix"})[0] in (404, 405)
            assert count(database, "records") == 6
            database.close()
    finally:
        broker.stop()


def test_the_demo_shows_three_benches(tmp_path: Path) -> None:
    port = free_port()
    with command("shop", "--demo", "--port", str(port), "--seconds", "110") as demo:
        deadline_s, names = time.monotonic() + 100.0, list[str]()
        while len(names) < 3 and time.monotonic() < deadline_s:
            names = [b["name"] for b in answering(f"http://127.0.0.1:{port}/api/v0/wall", demo)[1]["benches"]]
            time.sleep(0.5)
        assert names == ["North bench", "South bench", "Window bench"]
