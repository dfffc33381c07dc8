"""What a `heard` mark does: acknowledges what was spoken, or one alert; or shelves that one for a while."""

from __future__ import annotations

from benchd.core.alarm.alerts import AlertBook, check_code
from benchd.core.alarm.phrases import TextOf
from benchd.core.model import Alert, Mark


def heard(alerts: AlertBook, mark: Mark, t: float, words: TextOf) -> list[Alert]:
    """The transitions of a mark at t [unix s]: none of one that is no `heard`.  Raises MarkRejected."""
    if mark.verb != "heard":
        return []
    if mark.shelve_s is not None:
        return alerts.shelve(t, mark.code, mark.shelve_s, words)
    if mark.code is not None:
        check_code(mark.code)
    return alerts.hear(t, mark.code, words)
