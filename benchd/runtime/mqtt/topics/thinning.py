"""Decides which readings are published, where the settings ask for fewer than there are.

A reading goes out if its quality has changed; else not sooner than `every_s` after the channel's last one, and only if
it differs from it by `change` [the core's unit] or more, or that one is STILL_S old: silence is never a steady value.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import Annotated

from pydantic import BeforeValidator, Field, WithJsonSchema

from benchd.core.model import Reading
from benchd.core.units import Dimension, known_unit, parse_quantity

STILL_S = 60.0  # common practice, no source: a phone's chart shows a minute as one step


def _change(written: object) -> object:
    """A difference, in the core's unit of whatever it is one of.  Raises QuantityError."""
    if not isinstance(written, str):
        return parse_quantity(written, "pressure")
    unit = written.strip().lstrip("+-0123456789. ")
    kinds: tuple[Dimension, ...] = ("pressure", "temperature_step", "humidity", "mass")
    found = known_unit(unit, kinds)
    return parse_quantity(written, found[0] if found is not None else "pressure")


Change = Annotated[float, BeforeValidator(_change), Field(ge=0.0), WithJsonSchema({"type": "string"})]


@dataclass(slots=True)
class Thinning:
    """`every_s` for all channels, `change` by channel; both 0 unless asked for: then every reading goes out."""

    every_s: float = 0.0
    change: Mapping[str, float] = field(default_factory=dict)
    _last: dict[str, Reading] = field(default_factory=dict)

    def passes(self, reading: Reading) -> bool:
        """Whether to publish this one; one that passes is the channel's last from here on."""
        last = self._last.get(reading.channel)
        if last is not None and not self._is_news(last, reading):
            return False
        self._last[reading.channel] = reading
        return True

    def _is_news(self, last: Reading, reading: Reading) -> bool:
        if reading.quality is not last.quality or (reading.value is None) != (last.value is None):
            return True
        age_s = reading.t - last.t
        if age_s < self.every_s:
            return False
        change = self.change.get(reading.channel, 0.0)
        moved = 0.0 if reading.value is None or last.value is None else abs(reading.value - last.value)
        return moved >= change or age_s >= STILL_S
