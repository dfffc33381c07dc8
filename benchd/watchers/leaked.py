"""Watches for a load that leaked slowly, and says so once its pot is vented: before the next one something can be done.

During the hold a slow leak is shown and not spoken: nothing is to be done about it then.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

from pydantic import BaseModel, ConfigDict

from benchd.core.findings import Event, Finding, LoadClosed, LoadLeaked, LoadOpened, PotLeaking
from benchd.core.seat.watcher import Place, Reads
from benchd.stored import stored

SCOPE = "pot"
ORDER = 48
READS = Reads(findings=(PotLeaking, LoadClosed, LoadOpened))
EMITS = (LoadLeaked,)


@stored("leaked-settings")
class Settings(BaseModel):
    """Nothing to set: what counts as a leak is the leak watcher's to say."""

    model_config = ConfigDict(frozen=True, extra="forbid", allow_inf_nan=False)


@stored("leaked-watcher")
@dataclass(slots=True)
class LeakedWatcher:
    """The watcher of one pot's last load; `leak`: as last judged in this load, None while none was found."""

    place: Place
    leak: PotLeaking | None = None

    def see(self, event: Event) -> Sequence[Finding]:
        """The findings that follow from one event."""
        match event:
            case PotLeaking() if event.subject.pot == self.place.subject.pot and event.active:
                self.leak = event
            case LoadClosed() if event.subject.pot == self.place.subject.pot:
                self.leak = None
            case LoadOpened() if event.subject.pot == self.place.subject.pot:
                leak, self.leak = self.leak, None
                if leak is not None and leak.verdict == "slow":
                    return [
                        LoadLeaked(t=event.t, subject=event.subject, kpa_per_min=leak.kpa_per_min, low=leak.low,
                                   high=leak.high, hole_mm=leak.hole_mm)
                    ]  # fmt: skip
        return ()


def make(settings: Settings, place: Place) -> LeakedWatcher:
    """The watcher of one pot's last load."""
    return LeakedWatcher(place)
