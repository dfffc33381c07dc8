"""A resin's cure as other benches learned it, offered as a prior: their beliefs in one, widened, and known as theirs.

1. An offer is a bench's own [cure] table without its pours' and lots' names: the resin's shape, its spread, how many
   pours and lots it comes from.  What was itself taken from a shop is not offered on.
2. Offers of one label (resin id and pot life) make one belief: each shape's mean over the benches, weighed by pours;
   its covariance is what the benches were unsure of and how they differ.
3. Taken, the covariances are WIDER times as wide: another bench's probe, foam and hands are not ours.  The speed is
   that of a lot nobody has seen; how lots differ is the same everywhere and is not widened.
4. It stands in [cure] with a `shop` table, and is not counted as learned here: forecasts from it say basis "shop".
   `benchd learn` starts from it; the table it writes is the bench's own.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from math import isfinite, log, sqrt
from typing import Any

import numpy as np

from benchd.core.bench import Resin
from benchd.core.learned.cure_belief import learned_belief, learned_width
from benchd.errors import DecodeError
from benchd.physics.cup_model import LF
from benchd.physics.cure_prior import LOT_SD, ResinBelief, with_speed
from benchd.physics.label_cure import SHOP, is_shops

WIDER = 2.0
"""times the covariance: an sd 1.4 times as wide; a choice, judged by tests/accuracy/prior_table.py."""
FORM = "benchd-cure-offer"
LEAST_SPEED_VAR = 0.03**2
"""of ln of the speed: no number of pours elsewhere makes a resin surer than this; a choice."""
MOST_POURS = 100_000


def offer_of(resin: Resin) -> dict[str, Any] | None:
    """What this bench can offer of a resin; None where it has learned nothing itself."""
    belief = learned_belief(resin.cure)
    pours, lots = resin.cure.get("pours"), resin.cure.get("lots")
    if belief is None or is_shops(resin.cure) or not isinstance(pours, Sequence) or not pours:
        return None
    head = {"offer": FORM, "resin": resin.id, "pot_life_s": resin.pot_life_s, "benches": 1, "pours": len(pours)}
    counts = {"lots": len(lots) if isinstance(lots, Mapping) else 0, "width": learned_width(resin.cure)}
    return head | counts | belief.to_plain()


def checked_offer(plain: object) -> dict[str, Any]:
    """An offer from outside.  Raises DecodeError that says what is wrong with it."""
    if not isinstance(plain, dict) or plain.get("offer") != FORM:
        raise DecodeError("offer", f'no offer of a cure: it has no "offer": "{FORM}"')
    if not isinstance(plain.get("resin"), str):
        raise DecodeError("offer", "it names no resin")
    for key, least, most in (("pot_life_s", 1.0, 1e6), ("benches", 1, 1e5), ("pours", 1, MOST_POURS), ("lots", 0, 1e5),
                             ("width", 0.5, 10.0)):  # fmt: skip
        value = plain.get(key)
        if isinstance(value, bool) or not isinstance(value, int | float) or not isfinite(value):
            raise DecodeError("offer", f"{key} is no number")
        if not least <= value <= most:
            raise DecodeError("offer", f"{key} is not between {least:g} and {most:g}")
    try:
        ResinBelief.from_plain(plain)
    except ValueError as error:
        raise DecodeError("offer", str(error)) from error
    return plain


def combined(offers: Sequence[Mapping[str, Any]]) -> dict[str, Any]:
    """Offers of one label as one.  Raises DecodeError when they are not of one label."""
    first = offers[0]
    label = (first["resin"], first["pot_life_s"])
    if any((each["resin"], each["pot_life_s"]) != label for each in offers):
        raise DecodeError("offer", "the offers are of different labels: resin and pot life must be the same")
    beliefs = [ResinBelief.from_plain(each) for each in offers]
    shares = np.array([float(each["pours"]) for each in offers])
    shares /= shares.sum()
    means = sum(share * b.means for share, b in zip(shares, beliefs, strict=True))
    covariances = np.zeros_like(beliefs[0].covariances)
    for share, belief in zip(shares, beliefs, strict=True):
        apart = belief.means - means
        covariances += share * (belief.covariances + apart[:, :, None] * apart[:, None, :])
    weights = sum(
        share * np.exp(b.ln_weights - _ln_sum(b.ln_weights)) for share, b in zip(shares, beliefs, strict=True)
    )
    belief = ResinBelief(np.asarray(means), covariances, np.log(np.maximum(weights, 1e-6)))
    counts = {key: sum(int(each[key]) for each in offers) for key in ("benches", "pours", "lots")}
    width = max(float(each["width"]) for each in offers)
    return {"offer": FORM, "resin": label[0], "pot_life_s": label[1], **counts, "width": width, **belief.to_plain()}


def _ln_sum(ln_weights: Any) -> float:
    most = float(ln_weights.max())
    return most + log(float(np.exp(ln_weights - most).sum()))


def as_cure(offer: Mapping[str, Any]) -> dict[str, Any]:
    """The [cure] table of a bench that takes an offer: widened, and marked as the shop's."""
    belief = ResinBelief.from_plain(offer)
    weights = np.exp(belief.ln_weights - _ln_sum(belief.ln_weights))
    speeds, variances = belief.means[:, LF], belief.covariances[:, LF, LF]
    speed = float(weights @ speeds)
    spread = float(weights @ (variances + (speeds - speed) ** 2))
    wider = ResinBelief(belief.means, WIDER * belief.covariances, belief.ln_weights)
    wider = with_speed(wider, speed, sqrt(LOT_SD**2 + WIDER * max(spread - LOT_SD**2, LEAST_SPEED_VAR)))
    told = {key: offer[key] for key in ("benches", "pours", "lots")}
    table = {"pot_life_s": offer["pot_life_s"], "lots": {}, "pours": [], "width": offer["width"], SHOP: told}
    return {**wider.to_plain(), **table}
