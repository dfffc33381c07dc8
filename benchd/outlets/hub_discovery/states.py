"""Says how the bench stands, in the words and units the hub reads; what nobody has heard yet is null: unknown there."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from datetime import UTC, datetime
from typing import Any

from benchd.core.bench import ROLES, Channel
from benchd.core.model import Alert, Quality, Reading
from benchd.core.units import from_c, from_kpa
from benchd.outlets.hub_discovery.payload import probed, shown_molds
from benchd.runtime.contracts import Tools
from benchd.runtime.mqtt.topics import level

LONGEST_STATE = 255  # a longer text becomes unknown on the hub
ALARMS_MOST = 10  # with the longest texts still below a message's 4 kB
PERIODS_FRESH = 5.0  # as the sensors' watcher counts silence
FRESH_S = 15.0
LEAKS = ("pot-leaking-slowly", "pot-leaking-fast")
ALONE = ("sensor-silent", "sensor-fault", "pot-blind", "cup-blind")
TOGETHER = ("board-gone", "board-silent")

Body = dict[str, Any]


@dataclass(frozen=True, slots=True)
class States:
    """The bench's present state as bodies of the hub's topics."""

    tools: Tools

    def retained(self, is_damp: bool | None, with_molds: bool) -> dict[str, Body]:
        """Thing -> what stands retained of it; is_damp: None while the room's air has not been judged."""
        bench, health = self.tools.known(), self.tools.health
        active = [a for a in self.tools.bulletin.alerts.values() if a.active]
        spoken = sorted((a for a in active if a.priority <= 2), key=lambda a: (a.priority, a.t))
        trouble = _short(health.last_error) if health.last_error else None
        found: dict[str, Body] = {
            "bench": {
                "damp": self._damp(is_damp),
                "log": _on(not health.journal_ok),
                "trouble": trouble,
                "watch": _short(self._card("watch", bench.id).get("who") or "nobody"),
            },
            "alarm": {"text": _short(spoken[0].text if spoken else "none"), "active": _on(bool(spoken))},
            "alarms": {"alarms": [_listed(a) for a in spoken[:ALARMS_MOST]], "more": max(0, len(spoken) - ALARMS_MOST)},
        }
        for channel in bench.channels:
            found[f"fault-{level(channel.id)}"] = {"fault": self._fault(channel, active)}
        for cup in probed(bench, "cup_temperature"):
            body = self._card("pour", cup)
            kick = body.get("kick") or {}
            found[f"cup-{cup}"] = {"phase": body.get("phase"), "kick_at": iso(kick.get("at"))}
        for pot in probed(bench, "pot_pressure"):
            found[f"pot-{pot}"] = self._pot(pot, active)
        for mold in shown_molds(bench) if with_molds else ():
            body = self._card("mold", mold.id)
            window = body.get("green_at") or body.get("hard_at") or (None, None, None)
            found[f"mold-{level(mold.id)}"] = {"ready_at": iso(window[1])}
        return found

    def _pot(self, pot: str, active: list[Alert]) -> Body:
        body = self._card("pot", pot)
        leaks = any(a.alert in LEAKS and a.subject.pot == pot for a in active)
        is_blind = not body or body.get("basis") == "blind"
        return {
            "phase": body.get("phase"), "reads": _short(str(body.get("reads", "blind"))),
            "leak": _on(leaks) if leaks or not is_blind else None, "ready_at": iso(body.get("hold_at")),
        }  # fmt: skip

    def _damp(self, is_damp: bool | None) -> str | None:
        if is_damp is not None:
            return _on(is_damp)
        air = [c for c in self.tools.known().channels if c.role == "room_humidity"]
        return _on(False) if any(self._fresh(channel) is not None for channel in air) else None

    def _fault(self, channel: Channel, active: list[Alert]) -> str | None:
        """Whether a probe is at fault; null until it was heard, or missed for so long that an alarm says so."""
        accused = any(
            (a.alert in ALONE and a.subject.channel == channel.id)
            or (a.alert in TOGETHER and a.subject.source == channel.source)
            for a in active
        )
        reading = self.tools.bulletin.readings.get(channel.id)
        if accused or (reading is not None and reading.quality is Quality.FAULT):
            return _on(True)
        return None if reading is None else _on(False)

    def numbers(self) -> dict[str, Body]:
        """Channel or time left -> its value in the bench's unit; null where there is none that holds now."""
        return {channel.id: self._number(channel) for channel in self.tools.known().channels} | self._left()

    def _number(self, channel: Channel) -> Body:
        bench, value = self.tools.known(), self._fresh(channel)
        unit = ROLES[channel.role]
        if value is not None and unit == "C":
            value = round(from_c(value, bench.temperature_unit), 2)
        elif value is not None and unit == "kPa":
            value = round(from_kpa(value, bench.pressure_unit), 3)
        return {"value": value if value is None else round(value, 3)}

    def _fresh(self, channel: Channel) -> float | None:
        """A channel's last good value [core's unit], unless it is too old to stand."""
        reading: Reading | None = self.tools.bulletin.readings.get(channel.id)
        if reading is None or reading.quality is Quality.FAULT or reading.value is None:
            return None
        age_s = self.tools.clock.now() - reading.t
        return reading.value if age_s <= max(FRESH_S, PERIODS_FRESH * channel.period_s) else None

    def _left(self) -> dict[str, Body]:
        """Seconds left to each cup's kick and each pot's end of hold."""
        bench, now = self.tools.known(), self.tools.clock.now()
        at: dict[str, Any] = {}
        for cup in probed(bench, "cup_temperature"):
            kick = self._card("pour", cup).get("kick") or {}
            at[cup] = None if kick.get("found") else kick.get("at")
        for pot in probed(bench, "pot_pressure"):
            at[pot] = self._card("pot", pot).get("hold_at")
        return {f"left-{id}": {"value": round(t - now) if t is not None and t > now else None} for id, t in at.items()}

    def _card(self, of: str, id: str) -> Mapping[str, Any]:
        card = self.tools.bulletin.cards.get((of, id))
        return card.body if card is not None else {}


def _listed(alert: Alert) -> Body:
    return {"alert": alert.alert, "about": alert.subject.id, "priority": alert.priority, "text": _short(alert.text)}


def _short(text: str) -> str:
    return text if len(text) <= LONGEST_STATE else text[: LONGEST_STATE - 1] + "\N{HORIZONTAL ELLIPSIS}"


def _on(value: bool) -> str:
    return "ON" if value else "OFF"


def iso(t: Any) -> str | None:
    """Unix seconds as ISO 8601 with offset, whole seconds; None stays None, which the hub reads as unknown."""
    return datetime.fromtimestamp(round(t), UTC).isoformat() if isinstance(t, int | float) else None
