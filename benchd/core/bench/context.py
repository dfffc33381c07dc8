"""Converts the bench to and from the plain data in a Context input.

The shapes inside Context.config, .shelf and .resins are exactly `to_plain` of the bench's dataclasses (the settings
make them from the user's TOML, with every quantity already in the core's unit), so a recording contains all that the
core needs.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import fields, is_dataclass
from typing import Any

from benchd.core.bench import Bench, Channel, Cup, Lot, Mold, Pot, Quiet, Resin, Sensor
from benchd.core.bench.recipe import Recipe
from benchd.core.model import Context


def to_plain(value: Any) -> Any:
    """A dataclass tree as dicts, lists and scalars, including fields at their defaults."""
    if is_dataclass(value) and not isinstance(value, type):
        return {f.name: to_plain(getattr(value, f.name)) for f in fields(value)}
    if isinstance(value, Mapping):
        return {str(k): to_plain(v) for k, v in value.items()}
    if isinstance(value, list | tuple):
        return [to_plain(v) for v in value]
    return value


def _pairs(value: Any) -> tuple[tuple[Any, Any], ...]:
    return tuple((a, b) for a, b in value)


def _channel(plain: Mapping[str, Any]) -> Channel:
    """A channel; one written before sensors existed has none."""
    sensor = plain.get("sensor")
    if sensor is not None:
        sensor = Sensor(**{**sensor, "signal": tuple(sensor["signal"]), "span": tuple(sensor["span"])})
    return Channel(**{**plain, "calibration": _pairs(plain.get("calibration", ())), "sensor": sensor})


def _lot(plain: Mapping[str, Any]) -> Lot:
    return Lot(**{**plain, "label": Resin(**plain["label"])})


def bench_after(bench: Bench, context: Context) -> Bench:
    """The bench after a Context: the same object if nothing changed, so that whatever was derived from it stays."""
    described = bench_from_context(context)
    return bench if described == bench else described


def bench_from_context(context: Context) -> Bench:
    """The bench a Context describes.  Raises TypeError or KeyError on a shape this version does not know."""
    config = dict(context.config)
    channels = tuple(_channel(c) for c in config.pop("channels", ()))
    pots = tuple(Pot(**p) for p in config.pop("pots", ()))
    cups = tuple(Cup(**c) for c in config.pop("cups", ()))
    quiet = Quiet(**config.pop("quiet", {}))
    sources, clocks = _pairs(config.pop("sources", ())), _pairs(config.pop("clocks", ()))
    return Bench(
        **config,
        channels=channels,
        pots=pots,
        cups=cups,
        quiet=quiet,
        sources=sources,
        clocks=clocks,
        molds=tuple(Mold(**m) for m in context.shelf.get("molds", ())),
        lots=tuple(_lot(x) for x in context.shelf.get("lots", ())),
        resins=tuple(Resin(**r) for r in context.resins.values()),
        recipes=tuple(Recipe(**r) for r in context.shelf.get("recipes", ())),
        utc_offsets=context.utc_offsets,
        learned=context.learned,
    )


def context_parts(bench: Bench) -> tuple[dict[str, Any], dict[str, Any], dict[str, Any]]:
    """The (config, shelf, resins) a Context carries for this bench: the inverse of `bench_from_context`."""
    plain = to_plain(bench)
    shelf = {"molds": plain.pop("molds"), "lots": plain.pop("lots")}
    recipes = plain.pop("recipes")
    shelf |= {"recipes": recipes} if recipes else {}
    resins = {r["id"]: r for r in plain.pop("resins")}
    plain.pop("utc_offsets")
    plain.pop("learned")
    return plain, shelf, resins
