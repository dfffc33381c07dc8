"""The errors benchd raises, and who has to act on each.

    BenchdError
    |-- SettingsError     the user's file or flag is wrong: file, key, remedy       exit 78 (usage: 2)
    |   `-- PluginError   a configured kind does not exist or does not fit
    |-- DecodeError       bytes from outside are wrong: count, skip, continue
    |-- RecordingError    a recording cannot be read at all                         exit 3
    |-- SourceError       a board or broker is missing: the source restarts
    |-- OutletError       an outlet cannot deliver: it restarts
    |-- JournalError      the journal cannot be written: alert, continue watching
    |   `-- JournalInUse  another process writes it: who, and what to do            exit 75
    `-- MarkRejected      a mark cannot be accepted: the caller gets the reason

Only a failure of the inbox, engine or journal code itself ends the daemon.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass


class BenchdError(Exception):
    """Root of every error benchd raises on purpose."""


@dataclass(frozen=True, slots=True)
class Complaint:
    """One error in a user's file: where it is, what is wrong, what to write instead."""

    file: str
    key: str
    problem: str
    remedy: str = ""
    line: int | None = None

    def __str__(self) -> str:
        place = f"{self.file}:{self.line}" if self.line else self.file
        tail = f"; {self.remedy}" if self.remedy else ""
        return f"{place}: {self.key}: {self.problem}{tail}"


class SettingsError(BenchdError):
    """The user's configuration is wrong; carries every complaint at once."""

    def __init__(self, complaints: Sequence[Complaint] | Complaint) -> None:
        found = (complaints,) if isinstance(complaints, Complaint) else tuple(complaints)
        self.complaints: tuple[Complaint, ...] = found
        super().__init__("\n".join(str(c) for c in found))


class PluginError(SettingsError):
    """A configured kind has no file in its folder, or the file breaks the contract."""


class DecodeError(BenchdError):
    """Bytes from outside do not follow the line format; `reason` is a short countable word."""

    def __init__(self, reason: str, detail: str = "") -> None:
        self.reason = reason
        self.detail = detail or reason
        """The words for the person who sent it."""
        super().__init__(f"{reason}: {detail}" if detail else reason)


class RecordingError(BenchdError):
    """A recording cannot be read at all (bad lines inside one are only counted)."""


class SourceError(BenchdError):
    """A source of inputs failed; its task restarts with backoff."""


class OutletError(BenchdError):
    """An outlet cannot deliver; its task restarts with backoff."""


class JournalError(BenchdError):
    """The journal cannot be written; the bench is still watched, unsaved, and says so."""


class JournalInUse(JournalError):
    """Another process holds the journal's lock; the text names it."""


class ReportError(BenchdError):
    """No such report; the text lists what there is."""


class MarkRejected(BenchdError):
    """A mark cannot be accepted; the text is shown or spoken to the person who sent it."""


FEW = 24
"""So many known words are listed; of more only a near one is named."""


def did_you_mean(written: str, known: Iterable[str]) -> str:
    """A remedy naming the nearest known word, or all of them when they are few, or nothing."""
    import difflib  # only where somebody made a slip

    words = sorted(known)
    by_lower = {word.lower(): word for word in words}
    near = difflib.get_close_matches(written.lower(), list(by_lower), n=1, cutoff=0.6)
    if near:
        return f'did you mean "{by_lower[near[0]]}"?'
    return f"known: {', '.join(words)}" if 0 < len(words) <= FEW else ""


def no_such(kind: str, written: str, known: Iterable[str], otherwise: str = "") -> str:
    """The complaint about an unknown name: 'no mold "M90"; did you mean "M09"?'.

    `otherwise`: the remedy where nothing is near and there are too many to list, or none.
    """
    remedy = did_you_mean(written, known) or otherwise
    return f'no {kind} "{written}"' + (f"; {remedy}" if remedy else "")
