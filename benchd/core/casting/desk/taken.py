"""A mark as the desk understood it: what every part that takes marks returns."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

from benchd.core.findings import Finding
from benchd.core.model import Mark


@dataclass(frozen=True, slots=True)
class Taken:
    """A mark as understood, what it changed, and what was assumed; `same_as`: the mark with which it counts once."""

    mark: Mark
    findings: Sequence[Finding] = ()
    why: str = ""
    say: str = ""
    same_as: str = ""
