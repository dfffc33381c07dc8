"""Does a compiled board, through its port, `benchd run`, a broker and the journal, tell of a whole pour as it was?

The end-to-end test: avr-gcc's program in a simulated ATmega328P, sensors scripted from a rehearsed load (half an hour,
30 times faster than life), a pseudo-terminal, the daemon as a user starts it, Debian's mosquitto, SQLite.
"""

from __future__ import annotations

import json
import threading
from collections import Counter
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import paho.mqtt.client as mqtt
import pytest
from daemon import Daemon, wait_for
from firmware.avr_pours import load_1, rows_of
from firmware.avr_runs import Board, Row, host_on_pty, needs_avr
from mosquitto import needs_mosquitto
from mosquitto import running as broker_running
from of_kind import known
from paho.mqtt.enums import CallbackAPIVersion

from benchd.core.intake.wire import decode
from benchd.rehearsal import Truth

pytestmark = [needs_avr, needs_mosquitto, pytest.mark.soak]

SPEED = 30.0
LEAD_S = 60.62  # from the scenario's start to the moment the long press of the mix counts
FLOOR_KPA = 241.3  # 35 psi
OPEN_S, MENDED_S, NACK_S, BACK_S, LOST_S, RESET_S = 1250.1, 1265.1, 1290.1, 1310.1, 1340.1, 1380.1
TROUBLE: list[Row] = [
    {"t_s": OPEN_S, "fault": "cup:open"}, {"t_s": MENDED_S, "fault": "cup:ok"},
    {"t_s": NACK_S, "fault": "room:nack"}, {"t_s": BACK_S, "fault": "room:ok"},
    {"t_s": LOST_S, "fault": "line:lose"}, {"t_s": RESET_S, "fault": "board:reset"},
    {"t_s": 1450, "press_s": "0.15"}, {"t_s": 1453, "press_s": "0.15+0.2+0.15"},
]  # fmt: skip


class HostsPort:
    """The daemon's port when the host on libsimavr makes it and takes it away."""

    def unplug(self) -> None:
        """The host has done so already."""


class Listener:
    """Everything published, as a phone would hear it."""

    def __init__(self, port: int) -> None:
        self.heard: list[tuple[str, Any]] = []
        self._there = threading.Event()
        self._client = mqtt.Client(CallbackAPIVersion.VERSION2)
        self._client.on_connect = lambda client, *_: client.subscribe("benchd/#", 1)
        self._client.on_subscribe = lambda *_: self._there.set()
        self._client.on_message = self._take
        self._client.connect("127.0.0.1", port)
        self._client.loop_start()
        assert self._there.wait(5)

    def _take(self, _client: object, _data: object, message: mqtt.MQTTMessage) -> None:
        if message.payload[:1] == b"{":
            self.heard.append((message.topic, json.loads(message.payload)))

    def said(self) -> list[str]:
        return [str(body["say"]) for topic, body in self.heard if topic.endswith("/say")]

    def close(self) -> None:
        self._client.disconnect()
        self._client.loop_stop()


@dataclass(frozen=True)
class Watched:
    """One pour that was watched: the stopped daemon, what the phone heard, what was true, the host's counts."""

    daemon: Daemon
    said: list[str]
    truth: Truth
    host: dict[str, Any]

    def only(self, kind: str) -> dict[str, Any]:
        [finding] = self.daemon.findings(kind)
        return finding

    def answers(self) -> list[tuple[str, bool]]:
        rows = self.daemon.rows("SELECT body FROM effects WHERE kind = 'answer' ORDER BY number")
        return [(body["verb"], body["ok"]) for body in (json.loads(text) for (text,) in rows)]

    def since_mix_s(self, t: float) -> float:
        """A time of the daemon's as seconds after the foot told of the mix."""
        return t - float(self.only("pour_started")["mix_t"])


@pytest.fixture(scope="module")
def pour(tmp_path_factory: pytest.TempPathFactory, avr_build: Path) -> Watched:
    """One whole pour, troubles once it is vented."""
    folder = tmp_path_factory.mktemp("pour")
    rows, rehearsal = rows_of(load_1(), TROUBLE)
    with broker_running(tmp_path_factory.mktemp("broker")) as broker:
        daemon = Daemon(folder, mqtt_port=broker.port, clock="up", rate=SPEED, extra="[speaker]\n")
        daemon.port.unplug()
        daemon.port = HostsPort()  # type: ignore[assignment]
        listener = Listener(broker.port)
        try:
            with host_on_pty(Board("avr_c", avr_build), rows, folder / "board", "--speed", str(SPEED)) as host:
                daemon.start()
                told, errors = host.communicate(timeout=90)
                assert host.returncode == 0, errors
            wait_for(lambda: any("gone" in n["why"] for n in daemon.findings("bench_notice")))
            assert daemon.stop() == 0
        finally:
            daemon.close()
            listener.close()
        return Watched(daemon, listener.said(), rehearsal.truth, json.loads(told))


def test_nothing_was_lost_on_the_way(pour: Watched) -> None:
    """Every line the board sent stands in the journal, but for the one the wire was told to lose."""
    assert (pour.host["unread_bytes"], pour.host["bench_s"]) == (0, 1800.0)
    texts = pour.daemon.lines()
    assert len(texts) == pour.host["lines"] - pour.host["comments"] - 1


def test_the_kick_is_found_when_it_was(pour: Watched) -> None:
    [kick_s] = pour.truth.kick_s
    assert kick_s is not None
    kicked = pour.only("kicked")
    assert kicked["basis"] == "curve"
    assert pour.since_mix_s(kicked["at"]) == pytest.approx(kick_s - LEAD_S, abs=12)


def test_the_pot_is_at_pressure_before_it_and_holds(pour: Watched) -> None:
    [load] = pour.truth.loads
    reached = pour.only("pot_at_pressure")
    assert reached["kpa"] >= FLOOR_KPA
    assert pour.since_mix_s(reached["since"]) == pytest.approx(known(load.at_pressure_s) - LEAD_S, abs=8)
    assert 0 < reached["margin_s"] < 60
    holds = pour.daemon.findings("pot_hold")
    assert len(holds) >= 6
    assert all(hold["verdict"] not in ("slow", "fast") for hold in holds)


def test_the_vent_is_seen(pour: Watched) -> None:
    [load] = pour.truth.loads
    vented = pour.only("pot_vented")
    assert vented["near_zero"]
    assert pour.since_mix_s(vented["t"]) == pytest.approx(known(load.vented_s) - LEAD_S, abs=15)


def test_troubles_come_through_as_what_they_are(pour: Watched) -> None:
    faults = Counter((f["channel"], f["why"]) for f in pour.daemon.findings("sensor_fault"))
    assert faults["cup-1-temperature", "open"] == 1
    assert faults["room-humidity", "nack"] == faults["room-temperature", "nack"] == 1
    told = [(n["what"], n["why"]) for n in pour.daemon.findings("bench_notice")]
    assert ("lines", "board: 1 lost") in told
    assert ("board-reset", "board: the board restarted") in told
    assert ("source", "board: board says: # reset: reset pin") in told
    assert {f["channel"] for f in pour.daemon.findings("sensor_back")} >= {"cup-1-temperature", "room-humidity"}


def test_the_foot_was_understood(pour: Watched) -> None:
    """A long press is the mix, the next one a pour; a short is heard, a double repeats, after a reset too."""
    answers = pour.answers()
    assert answers[:2] == [("mix", True), ("poured", True)]
    assert answers[-2:] == [("heard", True), ("repeat", True)]


def test_the_phone_heard_it(pour: Watched) -> None:
    assert "Past floor. Keep the air on." in pour.said
    assert any(words.startswith("Kick. Pressure was") for words in pour.said)
    assert any(words.startswith("Gauge near zero.") for words in pour.said)


def test_the_board_sounded_what_the_daemon_ordered(pour: Watched) -> None:
    """Tones went back through the same port: the board counted the orders it obeyed."""
    lines = pour.daemon.lines()
    orders = [v for line in lines for name, v, _, _ in decode(line).records if name == "b1-orders" and v is not None]
    assert max(orders) >= 5
