"""What else is outside a wide bench: the push service, the monitor that rings when pings stop, the home hub.

Each keeps what reached it, breaks its own promises on the spot, and says in `not_whole` what is still wrong.
"""

from __future__ import annotations

import json
from collections.abc import Sequence
from typing import Any

from faultsim.benches import PING_EVERY_S
from faultsim.broker import SimBroker
from faultsim.faults import Fault
from faultsim.world import World

from benchd.core.model import Alert, Utterance
from benchd.outlets.hub_discovery import HubOutlet
from benchd.outlets.push import AGAIN_P1_S, PushOutlet
from benchd.runtime.bulletin import Posted
from benchd.runtime.contracts import Health, Outlet
from benchd.runtime.health import stalled

HUB = "benchd/v0/quiet-harbour/north/hub"
BIRTHS = 20  # in one storm
RESENDS_A_STORM = 2
NEXT_PING_S = 3.0 * PING_EVERY_S


class PushService:
    """Takes words for the phone; refuses or hangs while it is told to."""

    def __init__(self, world: World) -> None:
        self.world = world
        self.got: list[tuple[float, str]] = []
        self._wanted: dict[tuple[str, str], tuple[float, set[str]]] = {}
        self._outlet: PushOutlet | None = None
        self._health: Health | None = None

    def send(self, url: str, title: str, body: str) -> bool:
        """As what apprise_sender returns; in a thread."""
        refuses = self.world.on("push-refuses")
        if refuses is not None:
            if refuses.luck < 0.5:
                raise OSError("connection reset")
            return False
        self.got.append((self.world.t, body))
        self.world.note("push", title, body)
        return True

    def begins(self, outlets: Sequence[Outlet], health: Health) -> None:
        """A process's outlet: what it is to send is wanted from now on."""
        self._outlet = next((outlet for outlet in outlets if isinstance(outlet, PushOutlet)), None)
        self._health = health
        self._wanted.clear()

    def overhear(self, posted: Posted) -> None:
        """A word of priority 1 was told: it is to reach the phone, unless its alarm is over before."""
        word = posted.effect
        if isinstance(word, Utterance) and word.priority == 1 and word.code and posted.id:
            says = self._wanted.get((word.code, word.subject.id), (0.0, set()))[1]
            self._wanted[word.code, word.subject.id] = self.world.t, says | {word.say}

    def not_whole(self, active: set[tuple[str, str]], heard: set[tuple[str, str]]) -> str:
        """What the push service has not been sent; of an alarm heard by then a word too late need not be."""
        if self._outlet is None or self._health is None:
            return ""
        if self._outlet._letters:
            return f"{len(self._outlet._letters)} words wait to be pushed"
        for key, (since_s, says) in self._wanted.items():
            was_sent = any(t >= since_s - AGAIN_P1_S and body in says for t, body in self.got)
            was_too_late = key in heard and self._health.dropped.get("push-too-late", 0) > 0
            if not was_sent and key in active and not was_too_late:
                return f"never pushed: {sorted(says)}"
        return ""


class Monitor:
    """Rings when pings stop; here it is looked at whether they come only from a living watch."""

    def __init__(self, world: World) -> None:
        self.world = world
        self.health: Health | None = None
        self.last_s = float("-inf")
        self.pings = 0

    def ping(self, url: str, method: str) -> str:
        """As outlets.deadman.ping; in a thread."""
        if self.world.on("monitor-refuses"):
            return "the monitor answers 500"
        self.pings += 1
        self.last_s = self.world.t
        return ""

    def asked(self) -> None:
        """A ping begins; whatever the watch does until it arrives, it is to be alive now."""
        dead = stalled(self.health, self.world.t) if self.health is not None else []
        if dead:
            self.world.broken("silence is the message", f"pinged although {dead} had stalled")

    def not_whole(self) -> str:
        """What is wrong with its pings."""
        silent_s = self.world.t - self.last_s
        return f"no ping for {silent_s:.0f} s" if silent_s > NEXT_PING_S else ""


class Hub:
    """The home hub behind the broker: its births, and what it holds of the bench."""

    def __init__(self, world: World, broker: SimBroker) -> None:
        self.world, self._broker = world, broker
        self.storms = 0
        self.resends = 0
        self._outlet: HubOutlet | None = None

    def births(self, fault: Fault) -> None:
        """It starts again, and so does everything about it."""
        self.world.happens(fault)
        self.storms += 1
        for at in range(BIRTHS):
            self.world.after(0.05 * at, lambda: (self._broker.send("hub/status", b"online"), None)[1])

    def begins(self, outlets: Sequence[Outlet]) -> None:
        """A process's outlet."""
        self.ends()
        self._outlet = next((outlet for outlet in outlets if isinstance(outlet, HubOutlet)), None)

    def ends(self) -> None:
        """The process is gone: how often did it answer a storm?"""
        if self._outlet is not None:
            self.resends += self._outlet.resends
            self._outlet = None
        if self.resends > RESENDS_A_STORM * self.storms:
            self.world.broken("a storm of births", f"{self.resends} answers to {self.storms} storms")

    def shows(self, alerts: Sequence[Alert]) -> bool:
        """Whether its alarm is as the bench's alarms want it."""
        urgent = [alert for alert in alerts if alert.active and alert.priority <= 2]
        body = self._body("state/alarm")
        listed = {(one["alert"], one["about"]) for one in self._body("state/alarms").get("alarms", ())}
        wanted = {(alert.alert, alert.subject.id) for alert in urgent}
        return body.get("active") == ("ON" if urgent else "OFF") and (listed == wanted or len(wanted) > len(listed) > 9)

    def not_whole(self, alerts: Sequence[Alert]) -> str:
        """What the hub holds otherwise than the bench."""
        if self._outlet is None:
            return ""
        if not self._broker.is_hub_joined:
            return "the hub's broker is not connected"
        if self._broker.retained.get(f"{HUB}/up") != "here":
            return "the hub takes the bench for gone"
        if not any(topic.startswith("hub/device/") for topic in self._broker.retained):
            return "the hub does not know the device"
        return "" if self.shows(alerts) else f"the hub shows {self._body('state/alarms')}"

    def _body(self, thing: str) -> dict[str, Any]:
        return dict(json.loads(self._broker.retained.get(f"{HUB}/{thing}") or "{}"))
