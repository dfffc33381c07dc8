"""The hold watcher's thresholds, each with where it comes from."""

from __future__ import annotations

from pydantic import BaseModel, ConfigDict

from benchd.core.learned import load_clock
from benchd.stored import stored


@stored("hold-settings")
class Settings(BaseModel):
    """CP: common practice, no source; model: a simulation study."""

    model_config = ConfigDict(frozen=True, extra="forbid", allow_inf_nan=False)

    gel_margin_share: float = load_clock.GEL_LATE_SHARE  # by the rule alone, as the plan has it
    unknown_thin_mm: float = 3.0  # CP: sections up to 3 mm count as thin
    least_lot_factor: float = 0.4  # CP: fresh lots beat the label, but not by more
    most_lot_factor: float = 3.0  # CP: three pot lives without a kick are no cure
    unseen_kick_factor: float = 1.5  # model: the late edge of the label alone
    lost_share: float = 0.5  # CP: of the floor: a bubble twice as large as the least pressure allows
    lost_s: float = 5.0  # CP: as long as at pressure takes; no spike of the gauge
    least_move_s: float = 15.0  # CP: a quarter of a minute is what a waiting caster notices
    least_gap_s: float = 10.0  # CP: as a forecast of minutes needs
