"""Lists the thresholds that decide a finding, their values on this bench, and their sources.

Values and sources are in one place, the watcher's `Settings`: the comment beside a default (or the text below it) is
its source.  They are read from there, so that the output cannot differ from what is used.
"""

from __future__ import annotations

import inspect
import re
from dataclasses import dataclass
from types import ModuleType

from pydantic import BaseModel

from benchd.core.bench import Bench
from benchd.plugins import PLUGINS

_FIELD = re.compile(r"^    (\w+): .+? = .*?(?:  # (.*))?$")
DECIDES: dict[str, tuple[str, ...]] = {
    "pot_over_limit": ("deadband_kpa",),
    "pot_over_relief": ("relief_margin_kpa", "deadband_kpa"),
    "pot_letting_go": ("letting_go_kpa_s", "vent_fastest_s", "stopped_kpa_s", "stable_s"),
    "pot_losing": ("letting_go_kpa_s", "vent_fastest_s", "purpose_s"),
    "gauge_dropped": ("gauge_fall_kpa", "bleed_mm", "gauge_good_s"),
    "pot_below_floor": ("floor_margin_kpa", "deadband_kpa"),
    "pot_venting": ("venting_kpa_s", "purpose_s", "vent_slowest_s"),
    "pot_not_filling": ("stalled_s", "stalled_kpa_s"),
    "pot_at_pressure": ("at_pressure_s", "floor_margin_kpa"),
    "pot_vented": ("near_zero_kpa", "vented_s"),
    "pot_leaking": ("slow_kpa_min", "fast_kpa_min", "z", "fast_z", "after_shut_s"),
    "pot_floor_ahead": ("floor_on", "floor_off", "floor_horizon_s", "settle_taus"),
    "room_damp": ("warn_rh_pct", "hold_off_rh_pct", "clear_margin_pct", "clear_s"),
    "air_wet": ("condense_rh_pct", "clear_margin_pct", "clear_s"),
    "mold_wet": ("mold_clear_k",),
    "lots_damp": ("lots_after_s", "warn_rh_pct", "clear_s"),
}
"""Finding -> the settings that decide it; all of its watcher's if it is not listed or a listed name no longer exists.
"""


@dataclass(frozen=True, slots=True)
class Threshold:
    """One setting of one watcher: its value here, whether the bench's [tune] set it, and its source."""

    watcher: str
    name: str
    value: object
    is_tuned: bool
    source: str


def thresholds(finding: str, bench: Bench | None = None) -> list[Threshold]:
    """The settings that decide this kind of finding; empty for one that no watcher makes (a book's, a notice)."""
    module = watcher_of(finding)
    if module is None:
        return []
    watcher = module.__name__.rpartition(".")[2]
    tuned = dict((bench.tune if bench else {}).get(watcher, {}))
    settings: BaseModel = module.Settings(**tuned)
    texts = sources(module.Settings)
    known = [name for name in DECIDES.get(finding, ()) if name in texts]
    return [
        Threshold(watcher, name, getattr(settings, name), name in tuned, texts[name]) for name in known or list(texts)
    ]


def watcher_of(finding: str) -> ModuleType | None:
    """The watcher that makes a kind of finding."""
    makers = [m for m in PLUGINS.watcher_modules() if any(kind.finding == finding for kind in m.EMITS)]
    return makers[0] if makers else None


def sources(settings: type[BaseModel]) -> dict[str, str]:
    """Setting -> the source written beside or below its default; one without a source shares the previous line's."""
    found: dict[str, str] = {}
    above = ""
    lines = inspect.getsource(settings).splitlines()
    for line, below in zip(lines, [*lines[1:], ""], strict=True):
        match = _FIELD.match(line)
        if match is None or match[1] not in settings.model_fields:
            above = ""
            continue
        text = below.strip().strip('"') if below.strip().startswith('"""') else ""
        above = found[match[1]] = match[2] or text or above
    return found
