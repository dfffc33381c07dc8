"""Does a state that the broker refused reach it once it may, and never in place of a newer one?"""

from __future__ import annotations

import asyncio
from typing import cast

import pytest
from runtime.journal_fakes import until

from benchd.runtime.mqtt import state_queue
from benchd.runtime.mqtt.client import End, ServerLimits
from benchd.runtime.mqtt.session import Session
from benchd.runtime.mqtt.state_queue import StateQueue

NOT_AUTHORIZED = 0x87  # MQTT 5.0, section 2.4


class Broker:
    """A session whose every publish is answered with `code`, as a broker with an access list does."""

    def __init__(self) -> None:
        self.ended: asyncio.Future[End] = asyncio.get_running_loop().create_future()
        self.code = NOT_AUTHORIZED
        self.came: list[tuple[str, bytes]] = []
        self.unwritten = 0

    def publish(
        self, topic: str, payload: bytes, qos: int, retain: bool, expiry_s: float | None
    ) -> asyncio.Future[int | None]:
        self.came.append((topic, payload))
        answer: asyncio.Future[int | None] = asyncio.get_running_loop().create_future()
        asyncio.get_running_loop().call_soon(answer.set_result, self.code)
        return answer

    def unsent_bytes(self) -> int:
        return 0

    def tell(self, topic: str, payload: bytes, retain: bool) -> None:
        self.came.append((topic, payload))
        self.unwritten += 1


async def test_a_refused_state_is_sent_again_until_it_is_taken_and_reported_once(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    monkeypatch.setattr(state_queue, "REFUSED_AGAIN_S", 0.01)
    told: list[tuple[str, int]] = []
    queue, broker = StateQueue(lambda topic, code: told.append((topic, code)), lambda topic, size: None), Broker()
    pump = asyncio.create_task(queue.pump(cast(Session, broker), ServerLimits()))
    queue.put("alert/a", b"over", 1, True, is_urgent=True)
    await until(lambda: len(broker.came) >= 3)
    assert told == [("alert/a", NOT_AUTHORIZED)]
    broker.code = 0
    await until(lambda: len(told) >= 2)
    came = len(broker.came)
    await asyncio.sleep(0.05)
    assert told[1] == ("alert/a", 0)
    assert broker.came == [("alert/a", b"over")] * came
    pump.cancel()


async def test_a_refused_state_never_follows_a_newer_one(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(state_queue, "REFUSED_AGAIN_S", 0.02)
    queue, broker = StateQueue(lambda topic, code: None, lambda topic, size: None), Broker()
    pump = asyncio.create_task(queue.pump(cast(Session, broker), ServerLimits()))
    queue.put("alert/a", b"on", 1, True)
    await until(lambda: broker.came)
    broker.code = 0
    await asyncio.sleep(0)
    queue.put("alert/a", b"over", 1, True)
    await asyncio.sleep(0.1)
    assert [payload for _, payload in broker.came] == [b"on", b"over"]
    pump.cancel()


async def test_readings_wait_newest_wins_while_the_connection_writes_none() -> None:
    queue, broker = StateQueue(lambda topic, code: None, lambda topic, size: None), Broker()
    pump = asyncio.create_task(queue.pump(cast(Session, broker), ServerLimits()))
    for value in range(3):
        for channel in range(20):
            queue.put(f"read/{channel}", str(value).encode(), 0, False)
        await asyncio.sleep(0.03)
    assert broker.came == [(f"read/{channel}", b"0") for channel in range(state_queue.IN_FLIGHT_MOST)]
    broker.unwritten = 0
    await until(lambda: len(broker.came) == 2 * state_queue.IN_FLIGHT_MOST)
    assert {payload for _, payload in broker.came[state_queue.IN_FLIGHT_MOST :]} == {b"2"}
    pump.cancel()
