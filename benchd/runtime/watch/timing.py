"""The times of the write-behind buffer."""

from __future__ import annotations

from dataclasses import dataclass


@dataclass(frozen=True, slots=True)
class Timing:
    """How long things may take [wall s], and how much may wait in memory [bytes]."""

    busy_commit_s: float = 2.0
    idle_commit_s: float = 15.0
    early_s: float = 0.25
    stuck_s: float = 2.0  # from here on nothing waits for a commit
    hung_s: float = 4.5  # from here on it is trouble, which is said; before the 5 s after which a part stands still
    retry_s: float = 0.5
    retry_most_s: float = 5.0
    buffer_bytes: int = 8 * 2**20
    checkpoint_s: float = 60.0
    idle_checkpoint_s: float = 600.0
    last_commit_s: float = 2.4  # of the 5 s a stop may take; the outlets' last words have 0.9, the journal's one
