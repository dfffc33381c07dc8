"""The caster's phones: one presses through the broker, one through the page, and one reads the page's stream.

A phone that gets no answer sends the same mark again, with the same id, as the page does.  `acked` are the marks whose
answer said that they were taken and did not say `unsaved`.
"""

from __future__ import annotations

import asyncio
import json
from typing import Any

from asgi_ask import ask
from faultsim.broker import Got, SimBroker
from faultsim.day import Day, Press
from faultsim.world import BENCH_T, World

from benchd.core.model import PRESS_IDS
from benchd.page.site import Site

ROOT = "benchd/v0/quiet-harbour/north"
AGAIN_S = 6.0
TRIES = 6


def keys_of(press: Press) -> dict[str, Any]:
    """What a mark's body says besides its id and time."""
    match press.verb:
        case "mix":
            return {"cup": press.cup, "pot": press.pot}
        case "shut" | "topup":
            return {"pot": press.pot}
        case "note":
            return {"text": "a note"}
        case "poured" if press.pot != "barrel":
            return {"cup": press.cup}
    return {}


class Phones:
    """All phones of one night; they outlive processes."""

    def __init__(self, world: World, day: Day, broker: SimBroker) -> None:
        self.world, self._broker = world, broker
        self.acked: dict[str, float] = {}
        self.answers: list[Got] = []
        self.log: list[Got] = []
        self.site: Site | None = None
        self.page = PageReader(world)
        self._answered: set[str] = set()
        self._rng = world.stream("phones")
        broker.on_got = self._hear
        for number, press in enumerate(day.presses):
            if press.by != "phone":
                continue
            world.at(world.t + press.at_s, lambda number=number, press=press: self._press(number, press))  # type: ignore[misc]

    def _press(self, number: int, press: Press) -> None:
        world = self.world
        wrong, late = world.on("phone-wrong-clock"), world.on("phone-late")
        off_s = 400.0 * (wrong.luck - 0.5) if wrong is not None else 0.0
        body = {"id": f"p{number}", "t": round(BENCH_T + world.since_s + off_s, 2)} | keys_of(press)
        by_page = self._rng.random() < 0.2
        late_s = 25.0 * late.luck if late is not None else 0.0
        for again in range(2 if world.on("phone-twice") else 1):
            world.after(late_s + 0.3 * again, lambda: self._send(press.verb, body, by_page, TRIES))

    def _send(self, verb: str, body: dict[str, Any], by_page: bool, tries: int) -> None:
        if body["id"] in self._answered or not tries:
            return
        self.world.note("phone sends", verb, body["id"], tries)
        if by_page and self.site is not None:
            self._post(verb, body)
        elif not by_page:
            self._broker.send(f"{ROOT}/do/{verb}", json.dumps(body).encode())
        self.world.after(AGAIN_S, lambda: self._send(verb, body, by_page, tries - 1))

    def _post(self, verb: str, body: dict[str, Any]) -> None:
        """Through the page, whose requests are tasks of the daemon's process and end with it."""
        site = self.site
        assert site is not None

        async def post() -> None:
            headers = {"content-type": "application/json", "sec-fetch-site": "same-origin"}
            sent = json.dumps({"verb": verb} | {k: v for k, v in body.items() if k != "t"}).encode()
            answer = await ask(site.app(), "POST", "/api/v0/marks", headers, sent)
            told = json.loads(answer.body)
            self.world.note("page answers", body["id"], answer.status, told)
            if answer.status in (200, 409):
                self._note_answer(told)

        loop = self.page.loop
        if loop is not None:
            loop.call_soon_threadsafe(lambda: self.page.tasks.append(loop.create_task(post())))

    def _hear(self, got: Got) -> None:
        if got.topic == f"{ROOT}/alert-log":
            self.log.append(got)
        elif got.topic.startswith(f"{ROOT}/did/"):
            self.answers.append(got)
            self._note_answer(got.body)

    def _note_answer(self, body: dict[str, Any]) -> None:
        self._answered.add(body["id"])
        if body["id"].startswith(PRESS_IDS):
            return  # a foot's press is no input of its own
        if body["ok"] and not body.get("unsaved"):
            self.acked.setdefault(body["id"], self.world.since_s)


class PageReader:
    """One page that follows the stream, at its own pace; after a loss it comes back with the last id it saw."""

    def __init__(self, world: World) -> None:
        self.world = world
        self.loop: asyncio.AbstractEventLoop | None = None
        self.tasks: list[asyncio.Task[Any]] = []
        self.alerts: dict[tuple[str, str], dict[str, Any]] = {}
        self.seen = 0
        self._last_id = ""

    def opened(self, site: Site) -> None:
        """A process serves the page: follow it."""
        self.loop = asyncio.get_running_loop()
        self.tasks = [self.loop.create_task(self._follow(site))]

    async def _follow(self, site: Site) -> None:
        while True:
            reader = site.stream.join(self._last_id)
            if reader is None:
                self.world.broken("page", "too many readers")
                return
            while data := await reader.take():
                self._take(data.decode())
                if slow := self.world.on("phone-slow"):
                    await asyncio.sleep(1.0 + 10.0 * slow.luck)
            if site.stream.readers == 0 and reader.is_over:
                await asyncio.sleep(0.5)

    def _take(self, text: str) -> None:
        for event in text.split("\n\n"):
            lines = dict(line.split(": ", 1) for line in event.split("\n") if ": " in line and line[0] != ":")
            if "id" in lines:
                self._last_id = lines["id"]
            if lines.get("event") == "snapshot":
                self.alerts = {_key(alert): alert for alert in json.loads(lines["data"])["alerts"]}
            elif lines.get("event") == "alert":
                alert = json.loads(lines["data"])["alert"]
                self.alerts[_key(alert)] = alert
            self.seen += bool(lines)

    def on(self) -> set[tuple[str, str]]:
        """The alarms the page shows as active."""
        return {key for key, alert in self.alerts.items() if alert["active"]}


def _key(alert: dict[str, Any]) -> tuple[str, str]:
    subject = alert["subject"]
    order = ("channel", "source", "mold", "cup", "pot", "bench")
    found = next((subject[k] for k in order if k in subject), "")
    return alert["alert"], str(found)
