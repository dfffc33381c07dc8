"""What is on the bench now, whoever planned it: pots that are closed, molds with a part in them, until when.

Read from the cards that pots and molds are shown by.  A pot is free once its hold is done and it is vented; a mold once
its part is likely ready and out; where neither is known yet, the usual times from now on.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from typing import Any

from benchd.core.model import Card
from benchd.shelf.plan.ask import Hands, Underway

HOLD_S = 600.0  # of a closed pot whose hold is not forecast yet: eight to ten minutes, common practice, no source
OUT = ("idle", "demolded")


def there(cards: Iterable[Card], now_t: float, hands: Hands) -> Underway:
    """What these cards show to be occupied at now_t [unix s]."""
    pots: dict[str, float] = {}
    molds: dict[str, float] = {}
    for card in cards:
        if card.of == "pot" and card.body.get("phase", "idle") != "idle":
            pots[card.id] = max(_number(card.body, "hold_at", now_t + HOLD_S), now_t) + hands.vent_s
        elif card.of == "mold" and card.body.get("phase", "idle") not in OUT:
            window = card.body.get("green_at") or card.body.get("hard_at")
            ready_t = now_t + HOLD_S if not window else float(window[1])
            molds[card.id] = max(ready_t, now_t) + hands.demold_s
    return Underway(pot_free_t=pots, mold_free_t=molds)


def both(planned: Underway, seen: Underway) -> Underway:
    """What a sheet says is in progress and what the bench shows, whichever lasts longer; the hands as planned."""
    pots = {id: max(t, seen.pot_free_t.get(id, 0.0)) for id, t in planned.pot_free_t.items()}
    molds = {id: max(t, seen.mold_free_t.get(id, 0.0)) for id, t in planned.mold_free_t.items()}
    return Underway(
        busy=planned.busy, pot_free_t={**seen.pot_free_t, **pots}, mold_free_t={**seen.mold_free_t, **molds}
    )  # fmt: skip


def _number(body: Mapping[str, Any], key: str, otherwise: float) -> float:
    value = body.get(key)
    return float(value) if isinstance(value, int | float) else otherwise
