"""Sends words to phones through push services, each with the priorities it is for.

The targets are in a private file, one a line: the most urgent and least urgent priority, then the service's address:

    1-2  json://127.0.0.1:8080/alarm
    1-3  mailto://...

Only what is said is pushed, each alarm again no sooner than a minute (P1) or five (others) later, at most so many a
minute, and in quiet hours priority 1 alone.  Sending happens in a thread and holds up nothing: a target that fails is
reported once and tried again, alarms as long as they are unacknowledged, calls until their words are stale.
"""

from __future__ import annotations

import asyncio
import logging
import re
import time
from collections import deque
from collections.abc import Callable
from dataclasses import dataclass, field
from datetime import datetime
from pathlib import Path
from typing import Any, Literal
from zoneinfo import ZoneInfo

from pydantic import BaseModel, ConfigDict, Field

from benchd.core.model import Utterance
from benchd.errors import OutletError
from benchd.runtime.contracts import Tools
from benchd.runtime.files.private_file import read_private
from benchd.runtime.http.aside import aside

QUEUE_MOST = 20
AGAIN_P1_S = 60.0  # common practice: a phone in a pocket needs no word every ten seconds
AGAIN_S = 300.0
RETRY_FIRST_S = 2.0
RETRY_MOST_S = 60.0
_LINE = re.compile(r"([1-3])(?:-([1-3]))?\s+([a-z][a-z0-9+.-]*)(://\S+)")
_HOURS = r"^(([01]\d|2[0-3]):[0-5]\d-([01]\d|2[0-3]):[0-5]\d)?$"

log = logging.getLogger(__name__)


class Settings(BaseModel):
    """The `[push]` table."""

    model_config = ConfigDict(
        frozen=True, extra="forbid", json_schema_extra={"examples": [{"targets_file": "/etc/benchd/push.targets"}]}
    )

    kind: Literal["push"] = "push"
    targets_file: Path
    """A file (mode 0600), a target a line: priorities, then its address."""
    most_per_min: int = Field(default=6, ge=1, le=60)
    quiet_hours: str = Field(default="", pattern=_HOURS, examples=["22:00-07:00"])
    timezone: str = Field(default="", examples=["Europe/Oslo"])
    """Of the quiet hours; the system's if left out."""


@dataclass(slots=True)
class Target:
    """One service; `name` identifies it without its address."""

    name: str
    first: int
    last: int
    url: str = field(repr=False)
    failing: bool = False
    failures: int = 0


@dataclass(slots=True)
class Letter:
    """One word on its way to one target."""

    target: Target
    word: Utterance
    due_s: float


Send = Callable[[str, str, str], bool]


def make(settings: Settings, tools: Tools) -> PushOutlet:
    """The outlet; no I/O."""
    return PushOutlet(settings, tools)


class PushOutlet:
    """All push targets of one bench."""

    def __init__(
        self,
        settings: Settings,
        tools: Tools,
        send: Send | None = None,
        monotonic: Callable[[], float] = time.monotonic,
    ) -> None:
        self._settings = settings
        self._tools = tools
        self._send = send
        self._monotonic = monotonic
        self._letters: deque[Letter] = deque()
        self._work = asyncio.Event()
        self._pushed: dict[tuple[str, str, str], float] = {}
        self._recent: dict[str, deque[float]] = {}

    async def run(self) -> None:
        """Serve until cancelled.  Raises OutletError when the file can't be used or the extra is not installed."""
        targets = read_targets(self._settings.targets_file)
        # before the library has loaded: what is said meanwhile is pushed, too
        news = self._tools.bulletin.subscribe(events_only=True)
        try:
            send = await asyncio.to_thread(apprise_sender) if self._send is None else self._send
            async with asyncio.TaskGroup() as group:
                group.create_task(self._deliver(send), name="push sender")
                while True:
                    for posted in await news.batch():
                        if isinstance(posted.effect, Utterance):
                            self._expect(posted.effect, targets)
        finally:
            self._tools.bulletin.unsubscribe(news)

    # -- what is worth a push

    def _expect(self, word: Utterance, targets: list[Target]) -> None:
        now = self._tools.clock.now()
        if self._is_quiet(now) and word.priority > 1:
            return
        for target in targets:
            if target.first <= word.priority <= target.last and self._may(target, word, now):
                self._queue(Letter(target, word, self._monotonic()))

    def _may(self, target: Target, word: Utterance, now: float) -> bool:
        """Not again too soon, and not too many a minute; priority 1 is held back by nothing but itself."""
        key = (target.name, word.code or word.say, word.subject.id)
        again_s = AGAIN_P1_S if word.priority == 1 else AGAIN_S
        if word.code != "answer" and now - self._pushed.get(key, -1e12) < again_s:
            return False
        recent = self._recent.setdefault(target.name, deque())
        while recent and now - recent[0] >= 60.0:
            recent.popleft()
        if len(recent) >= self._settings.most_per_min and word.priority > 1:
            self._count("push-limited")
            return False
        recent.append(now)
        self._pushed[key] = now
        return True

    def _is_quiet(self, now: float) -> bool:
        hours = self._settings.quiet_hours
        if not hours:
            return False
        zone = ZoneInfo(self._settings.timezone) if self._settings.timezone else None
        clock, (begin, end) = datetime.fromtimestamp(now, zone).strftime("%H:%M"), hours.split("-")
        return begin <= clock < end if begin <= end else clock >= begin or clock < end

    def _queue(self, letter: Letter) -> None:
        """Newest wins: an older word of the same alarm to the same target is not sent any more."""
        same = [x for x in self._letters if x.target is letter.target and _about(x.word) == _about(letter.word)]
        for old in same:
            self._letters.remove(old)
        if len(self._letters) >= QUEUE_MOST:
            least = max(self._letters, key=lambda x: x.word.priority)
            self._letters.remove(least)
            self._count("push-full")
        self._letters.append(letter)
        self._work.set()

    # -- on its way

    async def _deliver(self, send: Send) -> None:
        while True:
            self._drop_stale()
            now_s = self._monotonic()
            due = [x for x in self._letters if x.due_s <= now_s]
            if due:
                await self._post(min(due, key=lambda x: (x.word.priority, x.due_s)), send)
                continue
            self._work.clear()
            wait_s = min((x.due_s - now_s for x in self._letters), default=None)
            try:
                async with asyncio.timeout(wait_s):
                    await self._work.wait()
            except TimeoutError:
                continue

    async def _post(self, letter: Letter, send: Send) -> None:
        target, word = letter.target, letter.word
        title = f"{self._tools.bench}: P{word.priority}"
        try:
            was_taken = await aside(send, target.url, title, word.say)
        except Exception as error:  # a service's own plug-in may raise anything; its text may hold the address
            was_taken = False
            log.debug("push: %s raised %s", target.name, type(error).__name__)
        if letter not in self._letters and was_taken is False:
            return
        if was_taken:
            target.failing, target.failures = False, 0
            self._tools.health.delivered[target.name] = self._tools.clock.now()
            if letter in self._letters:
                self._letters.remove(letter)
            return
        self._failed(letter)

    def _failed(self, letter: Letter) -> None:
        """Report the failure once, until it works again; try again later and later."""
        target = letter.target
        target.failures += 1
        letter.due_s = self._monotonic() + min(RETRY_MOST_S, RETRY_FIRST_S * 2.0 ** (target.failures - 1))
        if not target.failing:
            target.failing = True
            self._tools.health.last_error = f"{target.name}: cannot be reached, trying again"
            log.warning("%s: cannot be reached, trying again", target.name)

    def _drop_stale(self) -> None:
        now, alerts = self._tools.clock.now(), self._tools.bulletin.alerts
        for letter in list(self._letters):
            word = letter.word
            alert = alerts.get((word.code, word.subject.id))
            still_stands = alert is not None and alert.active and not alert.heard
            if word.say_until < now and not still_stands:
                self._letters.remove(letter)
                self._count("push-too-late")

    def _count(self, what: str) -> None:
        self._tools.health.dropped[what] = self._tools.health.dropped.get(what, 0) + 1


def _about(word: Utterance) -> tuple[str, str]:
    return word.code or word.say, word.subject.id


def read_targets(path: Path) -> list[Target]:
    """The targets in a private file.  Raises OutletError, which names the line and never the address."""
    found: list[Target] = []
    for number, line in enumerate(read_private(path, "push").splitlines(), 1):
        if not line.strip() or line.lstrip().startswith("#"):
            continue
        match = _LINE.fullmatch(line.strip())
        if match is None:
            raise OutletError(f"push: {path}, line {number}: write priorities and an address, as in: 1-2 json://host")
        first, last, service, rest = match.groups()
        name = f"push {len(found) + 1} ({service})"
        found.append(Target(name, int(first), int(last or first), service + rest))
    if not found:
        raise OutletError(f"push: {path} names no target")
    return found


def apprise_sender() -> Send:
    """A function that sends one message and returns whether the service took it.  Loads the library; blocks."""
    try:
        import apprise
    except ImportError:
        raise OutletError("push: not installed; write: pip install 'benchd[push]'") from None
    logging.getLogger("apprise").setLevel(logging.CRITICAL)  # its own lines show addresses

    def send(url: str, title: str, body: str) -> bool:
        one: Any = apprise.Apprise()
        return bool(one.add(url)) and bool(one.notify(title=title, body=body))

    return send
