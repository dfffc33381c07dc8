"""Watches for the parts whose resin asks for later mild heat, and says so once a pour's last part is out.

Only what a resin's label asks for; a label that says nothing of a post-cure asks for none.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field

from pydantic import BaseModel, ConfigDict

from benchd.core.findings import Event, Finding, PostCureDue, PourEnded, PourStarted
from benchd.core.seat.watcher import Place, Reads
from benchd.stored import stored

SCOPE = "bench"
ORDER = 50
READS = Reads(findings=(PourStarted, PourEnded))
EMITS = (PostCureDue,)
MOST_POURS = 16  # open at once on one bench; older ones are forgotten


@stored("post-cure-settings")
class Settings(BaseModel):
    """Nothing to set: heat and time are the label's."""

    model_config = ConfigDict(frozen=True, extra="forbid", allow_inf_nan=False)


@stored("post-cure-watcher")
@dataclass(slots=True)
class PostCureWatcher:
    """The bench's one watcher of parts that are to be warmed; its open pours by id."""

    place: Place
    pours: dict[str, PourStarted] = field(default_factory=dict)

    def see(self, event: Event) -> Sequence[Finding]:
        """The findings that follow from one event."""
        match event:
            case PourStarted():
                self.pours[event.subject.pour or ""] = event
                for oldest in list(self.pours)[: len(self.pours) - MOST_POURS]:
                    del self.pours[oldest]
            case PourEnded():
                pour = self.pours.pop(event.subject.pour or "", None)
                if pour is not None and event.why == "demolded":
                    return self._due(event, pour)
        return ()

    def _due(self, ended: PourEnded, pour: PourStarted) -> list[Finding]:
        label = self.place.bench.label_for(pour.lot)
        if label is None or label.post_cure_s is None or label.post_cure_c is None:
            return []
        molds = tuple(dict.fromkeys(id.lower() for id in pour.molds))
        for_s, temp_c = label.post_cure_s, label.post_cure_c
        return [PostCureDue(t=ended.t, subject=ended.subject, molds=molds, for_s=for_s, temp_c=temp_c)]


def make(settings: Settings, place: Place) -> PostCureWatcher:
    """The bench's one watcher of parts that are to be warmed."""
    return PostCureWatcher(place)
