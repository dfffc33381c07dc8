"""Tells the engine whether anybody subscribes to the bench at the broker, and whether its client id is contested."""

from __future__ import annotations

import asyncio
from collections.abc import Callable
from typing import Literal

from benchd.core.model import News
from benchd.runtime.bulletin import Bulletin
from benchd.runtime.contracts import Health
from benchd.runtime.watch.mailbox import Mailbox

LOOK_EVERY_S = 1.0


async def mind_broker(health: Health, bulletin: Bulletin, now: Callable[[], float], mailbox: Mailbox) -> None:
    """Report to the engine when there are no subscribers or another client uses our id, and when that is over."""
    told: dict[Literal["listener", "contested"], bool] = {}
    while True:
        await asyncio.sleep(LOOK_EVERY_S)
        if "engine" not in health.moved:
            continue  # the alerts of the previous run are not known yet
        if not told:
            told = {"listener": stands(bulletin, "no-listener"), "contested": stands(bulletin, "name-contested")}
        heard, taken = health.listeners != 0, health.contested
        why = {
            "listener": "a phone listens" if heard else "nobody subscribes to what is said, or the broker is down",
            "contested": f"another client uses the id {taken} at the broker; stop it, or give it a client_id"
            if taken
            else "nobody else uses our id",
        }
        is_on = {"listener": not heard, "contested": bool(taken)}
        for what, was_on in told.items():
            if is_on[what] != was_on:
                told[what] = is_on[what]
                mailbox.put(News(now(), what, is_on[what], why[what]))


def stands(bulletin: Bulletin, code: str) -> bool:
    """Whether this alarm of the bench is on, perhaps since the previous run."""
    return any(alert.active for (of, _), alert in bulletin.alerts.items() if of == code)
