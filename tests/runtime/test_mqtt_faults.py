"""What becomes of the link when the broker stands still, the wire is slow, or names and certificates do not serve?

Loopback only.  10 kbit/s is 1250 bytes a second through a relay in this process; certificates are made for the test.
"""

from __future__ import annotations

import asyncio
import contextlib
import datetime
import signal
import socket
import time
import tracemalloc
from collections.abc import AsyncIterator, Callable, Iterator
from pathlib import Path

import pytest
from mosquitto import Mosquitto, free_port, needs_mosquitto, running
from phone import Phone, until
from relay import Relay
from stream_server import serving

from benchd.runtime.mqtt import link as mqtt_link
from benchd.runtime.mqtt.address import BrokerAddress
from benchd.runtime.mqtt.link import MqttLink

SLOW_BYTES_PER_S = 10_000 // 8


@pytest.fixture
def broker(tmp_path: Path) -> Iterator[Mosquitto]:
    with running(tmp_path) as started:
        yield started


def link_to(address: BrokerAddress, troubles: list[str] | None = None) -> MqttLink:
    return MqttLink(address, "benchd-north", None, "", ([] if troubles is None else troubles).append)


def noting(link: MqttLink, shortened: float) -> list[float]:
    """The pauses [s] the link chooses from here on; it waits only `shortened` of each."""
    chosen: list[float] = []
    after = link.pauses.after

    class Noting:
        is_contested = False

        def after(self, connected: bool, lived_s: float, taken_over: bool) -> float:
            chosen.append(after(connected, lived_s, taken_over))
            return chosen[-1] * shortened

    link.pauses = Noting()  # type: ignore[assignment]
    return chosen


@contextlib.asynccontextmanager
async def ticking() -> AsyncIterator[list[int]]:
    """The beats, numbered, of a task that would beat every 10 ms: a blocked loop has none."""
    beats: list[int] = []

    async def beat() -> None:
        while True:
            await asyncio.sleep(0.01)
            beats.append(len(beats))

    task = asyncio.create_task(beat())
    try:
        yield beats
    finally:
        task.cancel()


@pytest.mark.wide
@needs_mosquitto
async def test_after_a_freeze_it_knocks_ever_more_rarely_never_in_step_and_finds_the_thaw(
    broker: Mosquitto, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Fault 3: SIGSTOP.  Each try (the kernel still accepts) is given up, pauses grow and differ; SIGCONT mends it."""
    monkeypatch.setattr(mqtt_link, "CONNACK_WITHIN_S", 0.15)
    troubles: list[str] = []
    link = link_to(BrokerAddress(port=broker.port, keepalive_s=1), troubles)
    pauses = noting(link, shortened=0.02)
    async with link.opened():
        await link.ready()
        broker.send(signal.SIGSTOP)
        await until(lambda: len(pauses) >= 8, 20.0)
        broker.send(signal.SIGCONT)
        await until(lambda: link.is_connected, 10.0)
    assert any("no answer" in text for text in troubles)
    assert all(0.5 * longest <= pause <= longest for pause, longest in zip(pauses[1:5], [1, 2, 4, 4], strict=True))
    assert len({round(pause, 6) for pause in pauses[3:8]}) == 5  # never twice the same: two daemons fall out of step


@pytest.mark.wide
@needs_mosquitto
async def test_a_half_open_connection_is_found_out_and_replaced(broker: Mosquitto) -> None:
    """Fault 3: everything sent is swallowed, nothing comes back, and no error: noticed by the keepalive alone."""
    troubles: list[str] = []
    async with Relay(broker.port) as relay:
        link = link_to(BrokerAddress(port=relay.port, keepalive_s=1), troubles)
        async with link.opened():
            await link.ready()
            relay.is_frozen = True
            link.publish_state("read/one", "swallowed", qos=0, retain=False)
            link.publish_state("state/one", "kept")
            await until(lambda: not link.is_connected, 10.0)
            relay.is_frozen = False
            await until(lambda: link.counts.connects == 2, 20.0)
            async with Phone(broker.port) as phone:
                assert await phone.hears("state/one") == ["kept"]
    assert troubles


@pytest.mark.wide
@needs_mosquitto
@pytest.mark.parametrize("knocks", ["plain", "encrypted"])
async def test_a_port_that_accepts_and_says_nothing_is_given_up(
    knocks: str, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Fault 5, also where the silence comes in the TLS handshake: told, tried again, the loop never held up."""
    assert mqtt_link.CONNACK_WITHIN_S < 10.0
    monkeypatch.setattr(mqtt_link, "CONNACK_WITHIN_S", 0.3)
    troubles: list[str] = []
    with socket.create_server(("127.0.0.1", 0)) as silent:
        link = link_to(BrokerAddress(port=silent.getsockname()[1], tls=knocks == "encrypted"), troubles)
        noting(link, shortened=0.05)
        async with ticking() as beats, link.opened():
            await until(lambda: len(troubles) >= 2, 20.0)
    assert all("no answer" in text for text in troubles)
    assert len(beats) >= 15  # of 60 in the two silences; a loop that waited in them has a handful


@pytest.mark.wide
@needs_mosquitto
async def test_at_10_kbit_s_readings_are_thinned_alerts_go_first_and_memory_is_flat(broker: Mosquitto) -> None:
    """Fault 4: readings, states and an alert, an event in the middle: what was made after them arrives after them."""
    async with Relay(broker.port, bytes_per_s=SLOW_BYTES_PER_S) as slow, Phone(broker.port) as phone:
        link = link_to(BrokerAddress(port=slow.port))
        async with link.opened():
            await asyncio.wait_for(link.ready(), 10)
            seen = await _flood(link, phone)
        assert link._states.thinned > 2000
        assert len(link._states) <= 17
    assert seen["memory_bytes"] < 200_000
    for topic in ("alert/one", "say"):
        at = next(i for i, (heard, _, _) in enumerate(phone.heard) if heard == topic)
        before = [int(payload) for heard, payload, _ in phone.heard[:at] if heard.startswith(("read", "card"))]
        assert max(before, default=0) <= seen["told_at"] + 10, topic  # 0.1 s of slack for the event loop's order
    turns = [sum(heard == f"card/{n}" for heard, _, _ in phone.heard) for n in range(6)]
    assert min(turns) >= 1
    assert max(turns) <= min(turns) + 2  # each has its turn


async def _flood(link: MqttLink, phone: Phone) -> dict[str, int]:
    """Ten readings and six states a hundred times a second for 8 s; an alert and an event at the half."""
    event: asyncio.Task[int | None] | None = None
    told_at = before_bytes = 0
    tracemalloc.start()
    try:
        for number in range(800):
            for n in range(10):
                link.publish_state(f"read/{n}", f"{number:0200d}", qos=0, retain=False)
            for n in range(6):
                link.publish_state(f"card/{n}", f"{number:0300d}")
            if number == 400:
                before_bytes, told_at = tracemalloc.get_traced_memory()[0], number
                link.publish_state("alert/one", "on", is_urgent=True)
                event = asyncio.create_task(link.publish_event("say", "Lid now."))
            await asyncio.sleep(0.01)
        grown_bytes = tracemalloc.get_traced_memory()[0] - before_bytes
    finally:
        tracemalloc.stop()
    assert event is not None
    assert await asyncio.wait_for(event, 20) == 0
    await phone.hears("alert/one", 20)
    return {"told_at": told_at, "memory_bytes": grown_bytes}


@needs_mosquitto
async def test_a_contested_id_is_known_until_the_other_is_gone(
    broker: Mosquitto, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Fault 9: once another of our name was seen it is contested; forgiven once a session has lived."""
    troubles: list[str] = []
    link = link_to(BrokerAddress(port=broker.port), troubles)
    async with link.opened():
        await link.ready()
        assert not link.is_contested
        link.contest()
        link.contest()
        assert link.is_contested
        assert len(troubles) == 1
        monkeypatch.setattr(mqtt_link, "UNCONTESTED_S", 0.2)
        await until(lambda: link.is_connected and not link.is_contested, 20.0)


@pytest.mark.wide
async def test_a_name_nobody_knows_is_told_and_holds_up_nothing(monkeypatch: pytest.MonkeyPatch) -> None:
    """Fault 32, DNS gone: a resolver that thinks for a second and fails, as one does whose server is away."""
    asked: list[str] = []
    beats_meanwhile: list[int] = []

    def slow(host: str, *rest: object, **more: object) -> list[object]:
        asked.append(str(host))
        before = len(beats)
        time.sleep(1.0)
        beats_meanwhile.append(len(beats) - before)
        raise socket.gaierror(socket.EAI_AGAIN, "Temporary failure in name resolution")

    monkeypatch.setattr(socket, "getaddrinfo", slow)
    troubles: list[str] = []
    link = link_to(BrokerAddress(host="hub.invalid", port=8883, tls=True), troubles)
    noting(link, shortened=0.05)
    async with ticking() as beats, link.opened():
        await until(lambda: len(troubles) >= 2, 20.0)
    assert set(asked) == {"hub.invalid"}
    assert all("hub.invalid:8883" in text and "name resolution" in text for text in troubles)
    assert min(beats_meanwhile) >= 5  # of 100: the loop went on beside a resolver that blocked for 1 s


@pytest.fixture(scope="module")
def certified(tmp_path_factory: pytest.TempPathFactory) -> Callable[[str, float, float], Path]:
    """Makes a folder with ca.pem and server.pem/key for localhost, valid from and until these days from now."""
    x509 = pytest.importorskip("cryptography.x509", reason="cryptography is not installed: pip install -e '.[test]'")
    from cryptography.hazmat.primitives import hashes, serialization
    from cryptography.hazmat.primitives.asymmetric import ec

    now = datetime.datetime.now(datetime.UTC)

    def name(text: str) -> object:
        return x509.Name([x509.NameAttribute(x509.NameOID.COMMON_NAME, text)])

    def made(folder_name: str, from_day: float, until_day: float) -> Path:
        folder = tmp_path_factory.mktemp(folder_name)
        ca_key, key = ec.generate_private_key(ec.SECP256R1()), ec.generate_private_key(ec.SECP256R1())
        wide = (now - datetime.timedelta(days=1000), now + datetime.timedelta(days=1000))
        narrow = (now + datetime.timedelta(days=from_day), now + datetime.timedelta(days=until_day))
        for file, subject, own, span, is_ca in (("ca", "ca", ca_key, wide, True), ("server", "x", key, narrow, False)):
            builder = (
                x509.CertificateBuilder()
                .subject_name(name(subject)).issuer_name(name("ca")).public_key(own.public_key())
                .serial_number(x509.random_serial_number()).not_valid_before(span[0]).not_valid_after(span[1])
                .add_extension(x509.BasicConstraints(ca=is_ca, path_length=None), critical=True)
                .add_extension(x509.SubjectAlternativeName([x509.DNSName("localhost")]), critical=False)
            )  # fmt: skip
            pem = builder.sign(ca_key, hashes.SHA256()).public_bytes(serialization.Encoding.PEM)
            (folder / f"{file}.pem").write_bytes(pem)
        (folder / "server.key").write_bytes(
            key.private_bytes(
                serialization.Encoding.PEM, serialization.PrivateFormat.PKCS8, serialization.NoEncryption()
            )
        )
        return folder

    return made


@needs_mosquitto
@pytest.mark.parametrize(
    ("from_day", "until_day", "says"),
    [(1.0, 2.0, "not yet valid"), (-20.0, -10.0, "has expired")],  # OpenSSL's own words, X509_V_ERR_CERT_*
)
async def test_a_certificate_outside_its_time_is_a_named_error_and_nothing_is_sent_in_the_open(
    tmp_path: Path, certified: Callable[[str, float, float], Path], from_day: float, until_day: float, says: str
) -> None:
    """Fault 32: this machine's clock early (the certificate begins tomorrow), or the certificate over."""
    folder = certified("papers", from_day, until_day)
    troubles: list[str] = []
    with running(tmp_path, f"certfile {folder}/server.pem\nkeyfile {folder}/server.key") as broker:
        link = link_to(BrokerAddress(host="localhost", port=broker.port, tls_ca=folder / "ca.pem"), troubles)
        noting(link, shortened=0.05)
        async with link.opened():
            link.publish_state("secret", "for nobody")
            await until(lambda: len(troubles) >= 2, 20.0)
        log = (tmp_path / "mosquitto.log").read_text()
    assert all(says in text and "clock" in text for text in troubles)
    assert link.counts.connects == 0
    assert "benchd-north" not in log  # no CONNECT, encrypted or not, ever came through
    assert "secret" not in log


async def test_an_encrypted_link_never_speaks_first_in_the_open() -> None:
    """Fault 32: what goes over the wire to a port that is no TLS is a TLS record (RFC 8446 5.1: 0x16), no CONNECT."""
    heard: list[bytes] = []

    async def listen(reader: asyncio.StreamReader, writer: asyncio.StreamWriter) -> None:
        heard.append(await reader.read(4096))

    async with serving(listen) as (port, _):
        link = link_to(BrokerAddress(host="localhost", port=port, tls=True))
        noting(link, shortened=0.05)
        async with link.opened():
            await until(lambda: len(heard) >= 3, 20.0)
    assert all(first[:1] == b"\x16" for first in heard)
    assert not any(b"MQTT" in first for first in heard)


async def test_a_closed_port_costs_no_more_than_its_pauses() -> None:
    """Fault 1: a port nobody listens on is knocked at after each pause, not in a loop."""
    link = link_to(BrokerAddress(port=free_port()))
    pauses = noting(link, shortened=0.1)
    async with link.opened():
        await asyncio.sleep(1.5)
    assert 3 <= len(pauses) <= 12
