"""What benches know of a resin goes to others and comes from them: offers as files, or retained topics of the shop."""

from __future__ import annotations

import asyncio
import json
from collections.abc import Mapping, Sequence
from math import sqrt
from pathlib import Path
from typing import Any

from benchd.core.bench import Resin
from benchd.core.learned.shop_prior import as_cure, checked_offer, combined, offer_of
from benchd.errors import BenchdError, DecodeError, OutletError
from benchd.outlets.workshop import Settings
from benchd.runtime.files.regular_file import read_regular
from benchd.runtime.files.whole_file import put_page
from benchd.runtime.mqtt.client import Message
from benchd.runtime.mqtt.link import MqttLink
from benchd.runtime.mqtt.topics import Topics, level
from benchd.settings import Loaded

SHOP = "shop"
CONNECT_WITHIN_S, LISTEN_S = 10.0, 2.0
COUNTED = (("pours", "pour", "s"), ("lots", "lot", "s"), ("benches", "bench", "es"))


class PriorRefused(BenchdError):
    """No prior was taken or offered, and why; the resin's file is unchanged."""


def offer_to(path: Path, resin: Resin) -> str:
    """Write what this bench has learned of a resin as an offer; what was done, in words.  Raises PriorRefused."""
    offer = offer_of(resin)
    if offer is None:
        raise PriorRefused(
            f"{resin.id}: nothing was learned here yet; `benchd learn {resin.id}` learns from past pours"
        )
    try:
        put_page(path, json.dumps(offer).encode())
    except OSError as error:
        raise PriorRefused(f"{path}: cannot be written: {error.strerror or error}") from error
    return f"{path}: {resin.name} as {offer['pours']} pours of {offer['lots']} lots taught it; no names are in it"


def prior_from(sources: Sequence[str], loaded: Loaded, resin: Resin) -> dict[str, Any]:
    """The [cure] table made of offers: files, or "shop" for those of the other benches.  Raises PriorRefused."""
    if resin.cure and offer_of(resin) is not None:
        raise PriorRefused(f"{resin.id}: this bench has learned it itself, which counts for more than a prior")
    offers: list[dict[str, Any]] = []
    for source in sources:
        offers += _from_shop(loaded, resin) if source == SHOP else [_from_file(Path(source))]
    fitting = [offer for offer in offers if (offer["resin"], offer["pot_life_s"]) == (resin.id, resin.pot_life_s)]
    if not fitting:
        others = ", ".join(f"{o['resin']} of {o['pot_life_s']:g} s" for o in offers) or "none at all"
        raise PriorRefused(f"no offer for {resin.id} with a pot life of {resin.pot_life_s:g} s; found: {others}")
    try:
        return as_cure(combined(fitting))
    except DecodeError as error:
        raise PriorRefused(f"{resin.id}: {error.detail}") from error


def _from_file(path: Path) -> dict[str, Any]:
    try:
        return checked_offer(json.loads(read_regular(path)))
    except OSError as error:
        raise PriorRefused(f"{path}: cannot be read: {error.strerror or error}") from error
    except (ValueError, RecursionError) as error:
        raise PriorRefused(f"{path}: is not JSON: {error}") from error
    except DecodeError as error:
        raise PriorRefused(f"{path}: {error.detail}; write it with `benchd learn RESIN --offer FILE`") from error


def _from_shop(loaded: Loaded, resin: Resin) -> list[dict[str, Any]]:
    settings = loaded.outlets.get("workshop")
    if not isinstance(settings, Settings):
        raise PriorRefused("there is no [workshop] in bench.toml, so no shop to ask; give an offer's file")
    heard = asyncio.run(_heard(settings, loaded, resin))
    own = level(loaded.bench.id)
    offers = []
    for bench, payload in sorted(heard.items()):
        try:
            offers += [] if bench == own else [checked_offer(json.loads(payload))]
        except (DecodeError, ValueError, RecursionError):
            continue  # one bench's damaged offer leaves the others'
    return offers


async def _heard(settings: Settings, loaded: Loaded, resin: Resin) -> dict[str, bytes]:
    """Bench -> its retained offer.  Raises PriorRefused."""
    heard: dict[str, bytes] = {}
    shop = Topics(loaded.bench.shop, "+", settings.prefix).root.rsplit("/", 1)[0]

    def keep(message: Message) -> None:
        if message.payload:
            heard[message.topic.split("/")[-3]] = message.payload

    link = MqttLink(settings.model_copy(update={"client_id": ""}), f"benchd-learn-{level(loaded.bench.id)}")
    link.subscribe(f"{shop}/+/cure/{level(resin.id)}", keep)
    try:
        async with link.opened():
            async with asyncio.timeout(CONNECT_WITHIN_S):
                await link.ready()
            await asyncio.sleep(LISTEN_S)
    except (OutletError, TimeoutError) as error:
        raise PriorRefused(f"{settings.host}:{settings.port}: the shop's broker does not answer") from error
    return heard


def told_of(cure: Mapping[str, Any]) -> list[str]:
    """A taken prior in words."""
    known = cure[SHOP]
    most = max(range(len(cure["ln_weights"])), key=lambda n: float(cure["ln_weights"][n]))
    speed, sd = float(cure["means"][most][0]), sqrt(float(cure["covariances"][most][0]))
    counts = [f"{known[key]} {noun}" + ("" if known[key] == 1 else more) for key, noun, more in COUNTED]
    return [
        f"From {counts[0]} of {counts[1]} on {counts[2]}, widened.",
        f"A new lot's speed: {100.0 * speed:+.0f} % of the label's, +-{100.0 * sd:.0f} %.",
        "Forecasts from it say basis shop; your own pours, once learned, take its place.",
    ]
