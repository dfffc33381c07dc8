"""Do the example access list and the example encrypted broker hold on Debian's mosquitto, word for word?"""

from __future__ import annotations

import asyncio
import contextlib
import shutil
import socket
import ssl
import subprocess
from collections.abc import AsyncIterator, Iterator
from dataclasses import replace
from pathlib import Path
from typing import Any

import paho.mqtt.client as mqtt
import pytest
from hub_contract import complaints
from mosquitto import PROGRAM, Mosquitto, free_port, needs_mosquitto, running
from outlet_tools import Bench, leak, run, word
from paho.mqtt.enums import CallbackAPIVersion
from phone import Phone, until

from benchd.outlets import hub_discovery
from benchd.outlets.hub_discovery import Settings as HubSettings
from benchd.outlets.hub_discovery import make as make_hub
from benchd.outlets.mqtt import MqttOutlet, Settings, make
from benchd.plugins import load_settings
from benchd.sources.mqtt_topics import Settings as BoardSettings

CONFIG = Path(__file__).parents[2] / "config"
ACL = (CONFIG / "broker-acl.example").read_text("utf-8")
TLS = (CONFIG / "broker-tls.example").read_text("utf-8")
ROOT = "benchd/v0/quiet-harbour/north"
DEVICE = "homeassistant/device/quiet-harbour-north/config"
USERS = ("benchd", "phone", "board-b1", "hub")
pytestmark = [
    needs_mosquitto,
    pytest.mark.skipif(shutil.which("mosquitto_passwd") is None, reason="mosquitto_passwd is not installed"),
]


def with_users(folder: Path) -> str:
    """The access list and a password file in a folder; the lines of a broker's configuration that name them."""
    (folder / "acl").write_text(ACL)
    (folder / "passwords").write_text("".join(f"{user}:secret-{user}\n" for user in USERS))
    subprocess.run(["mosquitto_passwd", "-U", str(folder / "passwords")], check=True, capture_output=True, timeout=30)
    return "acl_file {folder}/acl\npassword_file {folder}/passwords"


def secret(folder: Path, user: str = "benchd") -> Path:
    path = folder / f"{user}.password"
    path.write_text(f"secret-{user}\n")
    path.chmod(0o600)
    return path


@contextlib.asynccontextmanager
async def telling(settings: Settings, bench: Bench) -> AsyncIterator[MqttOutlet]:
    async with run(make(settings, bench.tools)) as outlet:
        yield outlet


async def sent(port: int, user: str, topic: str) -> int:
    """The code the broker answers this user's message with: 0x00 taken, 0x10 nobody hears it, 0x87 not authorized.

    MQTT 5.0, section 3.4.2.1.
    """
    codes: list[int] = []
    client = mqtt.Client(CallbackAPIVersion.VERSION2, protocol=mqtt.MQTTv5)
    client.username_pw_set(user, f"secret-{user}")
    client.on_publish = lambda c, u, mid, reason, properties: codes.append(reason.value)
    client.on_connect = lambda c, u, f, reason, p: c.publish(topic, "{}", 1)
    client.connect_async("127.0.0.1", port)
    client.loop_start()
    try:
        await until(lambda: bool(codes))
    finally:
        client.disconnect()
        await asyncio.to_thread(client.loop_stop)
    return codes[0]


async def test_the_daemon_can_all_it_needs_and_a_phone_hears_and_marks(tmp_path: Path) -> None:
    bench = Bench()
    extra = with_users(tmp_path)
    with running(tmp_path, extra, anonymous=False) as broker:
        settings = Settings(port=broker.port, username="benchd", password_file=secret(tmp_path))
        async with telling(settings, bench) as outlet, Phone(broker.port, "phone", "secret-phone") as phone:
            await until(lambda: outlet.marks_in == "ok")
            now = bench.tools.clock.now()
            bench.tell(leak(now), word(now))
            assert (await phone.hears(f"{ROOT}/say"))[0]["say"] == "Lid now."
            phone.send(f"{ROOT}/do/note", '{"id": "n1", "text": "hello"}')
            await until(lambda: bool(bench.marks))
        assert [mark.text for mark in bench.marks] == ["hello"]
        await until(lambda: not bench.outbox.rows)
        assert bench.outbox.parked_why == {}


MAY = [
    ("phone", f"{ROOT}/do/mix", True),
    ("phone", f"{ROOT}/say", False),
    ("phone", f"{ROOT}/alert/pot-leaking/barrel", False),
    ("phone", f"{ROOT}/up", False),
    ("phone", "benchd/board/b1/lines", False),
    ("phone", "benchd/v0/quiet-harbour/south/do/mix", False),
    ("board-b1", "benchd/board/b1/lines", True),
    ("board-b1", "benchd/board/b2/lines", False),
    ("board-b1", f"{ROOT}/do/mix", False),
    ("hub", f"{ROOT}/do/mix", False),
    ("hub", f"{ROOT}/hub/do/heard", True),
    ("hub", f"{ROOT}/hub/up", False),
    ("hub", "homeassistant/status", True),
    ("hub", DEVICE, False),
    ("benchd", DEVICE, True),
    ("benchd", "homeassistant/device/quiet-harbour-south/config", False),
    ("phone", DEVICE, False),
    ("phone", f"{ROOT}/hub/do/heard", False),
    ("benchd", f"{ROOT}/say", True),
    ("benchd", "benchd/board/b1/lines", False),
]


async def test_each_user_may_say_what_its_part_needs_and_no_more(tmp_path: Path) -> None:
    """Refusals are 0x87 (MQTT 5.0, section 3.4.2.1)."""
    extra = with_users(tmp_path)
    with running(tmp_path, extra, anonymous=False) as broker:
        codes = await asyncio.gather(*(sent(broker.port, user, topic) for user, topic, _ in MAY))
    told = {(user, topic): code < 0x80 for (user, topic, _), code in zip(MAY, codes, strict=True)}
    assert told == {(user, topic): may for user, topic, may in MAY}
    assert {code for code in codes if code >= 0x80} == {0x87}


async def hub_finds_all(settings: HubSettings, hub: Phone) -> None:
    """The outlet at a broker of the examples, and the hub beside it: the device, its state, a word, a press."""
    bench = Bench()
    bench.config = load_settings(CONFIG / "bench.toml").bench
    outlet = make_hub(settings, bench.tools)
    task = asyncio.create_task(outlet.run())
    try:
        device = (await hub.hears(DEVICE, 10.0))[-1]
        assert complaints(device, DEVICE) == []
        assert "do-out-m08" in device["components"]
        await hub.hears(f"{ROOT}/hub/state/mold-m08")
        bench.tell(replace(word(bench.tools.clock.now()), code="lid-now"))
        assert (await hub.hears(f"{ROOT}/hub/event/said"))[0]["words"] == "Lid now."
        hub.send(f"{ROOT}/hub/do/heard", "{}")
        await until(lambda: [mark.by for mark in bench.marks] == ["hub"])
        hub.send("homeassistant/status", "online")
        await until(lambda: outlet.resends == 1, 12.0)
        assert (await hub.hears(DEVICE, most=2))[1] == device
        assert (outlet.link.counts.refused, bench.tools.health.last_error) == (0, "")
    finally:
        task.cancel()
        await asyncio.wait([task])


async def test_a_hub_finds_the_bench_under_the_access_list(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(hub_discovery, "BIRTH_WAIT_S", (0.1, 0.2))
    extra = with_users(tmp_path)
    limit = next(line for line in TLS.splitlines() if line.startswith("message_size_limit"))
    with running(tmp_path, f"{extra}\n{limit}", anonymous=False) as broker:
        settings = HubSettings(port=broker.port, username="benchd", password_file=secret(tmp_path))
        async with Phone(broker.port, "hub", "secret-hub") as hub:
            await hub_finds_all(settings, hub)


async def test_a_board_hears_nothing_a_phone_not_the_boards_and_strangers_are_refused(tmp_path: Path) -> None:
    extra = with_users(tmp_path)
    with running(tmp_path, extra, anonymous=False) as broker:
        async with (
            Phone(broker.port, "board-b1", "secret-board-b1") as board,
            Phone(broker.port, "phone", "secret-phone") as phone,
            Phone(broker.port, "hub", "wrong") as wrong,
            Phone(broker.port) as nobody,
        ):
            assert await sent(broker.port, "benchd", f"{ROOT}/say") < 0x80
            assert await sent(broker.port, "board-b1", "benchd/board/b1/lines") < 0x80
            await phone.hears(f"{ROOT}/say")
            assert [topic for topic, _, _ in phone.heard] == [f"{ROOT}/say"]
            assert board.heard == []
            assert (bool(wrong.refused), bool(nobody.refused)) == (True, True)


def test_the_boards_topics_are_those_the_source_takes_as_its_example() -> None:
    extra: Any = BoardSettings.model_config["json_schema_extra"]
    examples = extra["examples"]
    assert examples[0]["topics"] == ["benchd/board/b1/lines"]


@pytest.fixture(scope="module")
def certified(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """The example's own commands, for localhost, which loopback can stand for."""
    if shutil.which("openssl") is None:
        pytest.skip("openssl is not installed")
    folder = tmp_path_factory.mktemp("certs")
    commands = [line.removeprefix("#$ ") for line in TLS.splitlines() if line.startswith("#$ ")]
    assert len(commands) == 4
    for command in commands:
        local = command.replace("bench-hub.local", "localhost")
        subprocess.run(["sh", "-c", local], cwd=folder, check=True, capture_output=True, timeout=30)
    subprocess.run(
        ["openssl", "req", "-x509", "-newkey", "ec", "-pkeyopt", "ec_paramgen_curve:P-256", "-nodes", "-days", "2",
         "-subj", "/CN=Other CA", "-keyout", "other.key", "-out", "other.pem"],
        cwd=folder, check=True, capture_output=True, timeout=30,
    )  # fmt: skip
    return folder


class Encrypted(Mosquitto):
    """mosquitto with the example file itself, only its paths and its port moved."""

    def __init__(self, folder: Path, certs: Path) -> None:
        super().__init__(folder, port=free_port())
        with_users(folder)
        text = TLS.replace("listener 8883", f"listener {self.port} 127.0.0.1\nuser root")
        text = text.replace("/etc/mosquitto/certs", str(certs)).replace(
            "/etc/mosquitto/passwords", f"{folder}/passwords"
        )
        text = text.replace("/etc/mosquitto/benchd.acl", f"{folder}/acl").replace("/var/lib/mosquitto/", f"{folder}/")
        self._text = text

    def start(self) -> Mosquitto:
        (self.folder / "example.conf").write_text(self._text)
        head = f"include_dir {self.folder}/conf.d\n"
        (self.folder / "conf.d").mkdir()
        (self.folder / "example.conf").rename(self.folder / "conf.d" / "benchd.conf")
        config = self.folder / "main.conf"
        config.write_text(f"log_dest file {self.folder}/mosquitto.log\n{head}")
        assert PROGRAM is not None
        self.process = subprocess.Popen(
            [PROGRAM, "-c", str(config)], stdin=subprocess.DEVNULL, stdout=subprocess.DEVNULL, stderr=subprocess.DEVNULL
        )
        return self


@pytest.fixture
def encrypted(tmp_path: Path, certified: Path) -> Iterator[Mosquitto]:
    broker = Encrypted(tmp_path, certified)
    broker.start()
    yield broker
    broker.stop()


async def test_the_encrypted_broker_serves_those_who_know_its_authority_and_its_name(
    encrypted: Mosquitto, certified: Path, tmp_path: Path
) -> None:
    bench = Bench()
    known: dict[str, Any] = {"port": encrypted.port, "username": "benchd", "external": True}
    known["password_file"] = secret(tmp_path)
    settings = Settings(host="localhost", tls_ca=certified / "ca.pem", **known)
    async with telling(settings, bench) as outlet:
        await until(lambda: outlet.marks_in == "ok", 10.0)
        bench.tell(leak(bench.tools.clock.now()))
        await until(lambda: not bench.outbox.rows)
    for host, authority in (("127.0.0.1", "ca.pem"), ("localhost", "other.pem")):
        stranger = Bench()
        async with telling(Settings(host=host, tls_ca=certified / authority, **known), stranger) as outlet:
            await until(lambda told=stranger: "certificate verify failed" in told.tools.health.last_error)  # type: ignore[misc]
            assert outlet.link.counts.connects == 0


@pytest.mark.wide
async def test_a_hub_finds_the_bench_at_the_encrypted_broker(
    encrypted: Mosquitto, certified: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """The file as it stands: its size limit, its access list, its certificates."""
    monkeypatch.setattr(hub_discovery, "BIRTH_WAIT_S", (0.1, 0.2))
    known: dict[str, Any] = {"host": "localhost", "port": encrypted.port, "tls_ca": certified / "ca.pem"}
    settings = HubSettings(username="benchd", password_file=secret(tmp_path), **known)
    async with Phone(encrypted.port, "hub", "secret-hub", host="localhost", ca=certified / "ca.pem") as hub:
        await hub_finds_all(settings, hub)


async def test_nothing_unencrypted_gets_in_and_tls_is_1_2_or_newer(encrypted: Mosquitto, certified: Path) -> None:
    plain, bench = Settings(host="localhost", port=encrypted.port), Bench()

    def version() -> str | None:
        context = ssl.create_default_context(cafile=certified / "ca.pem")
        with (
            contextlib.suppress(OSError),
            socket.create_connection(("127.0.0.1", encrypted.port), 2.0) as bare,
            context.wrap_socket(bare, server_hostname="localhost") as wrapped,
        ):
            return wrapped.version()
        return None

    await until(lambda: version() in ("TLSv1.2", "TLSv1.3"))
    async with telling(plain, bench) as outlet:
        await asyncio.sleep(1.0)
        assert outlet.link.counts.connects == 0
