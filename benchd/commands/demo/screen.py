"""Prints the demo as it happens: findings and alerts as they are published, and the caster's marks in words."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from typing import Any

from benchd.core.findings import Effect
from benchd.core.model import MarkAnswer, Reading, Utterance
from benchd.runtime.contracts import Tools
from benchd.runtime.printing.plain_lines import PlainLines, Style
from benchd.runtime.printing.terminal import say


class Screen:
    """Prints published effects, and utterances too unless a phone `speaks` them.

    `noted` gets each effect, `heard` the time of each reading [unix s].
    """

    def __init__(
        self, tools: Tools, style: Style, speaks: Callable[[], bool],
        noted: Callable[[Effect], None], heard: Callable[[float], None],
    ) -> None:  # fmt: skip
        self._tools, self._style, self._speaks, self._noted, self._heard = tools, style, speaks, noted, heard

    async def run(self) -> None:
        """Print until cancelled."""
        lines, news = PlainLines(self._style), self._tools.bulletin.subscribe()
        async for posted in news:
            effect = posted.effect
            if isinstance(effect, Reading):
                self._heard(effect.t)
                continue
            self._noted(effect)
            if isinstance(effect, Utterance) and self._speaks():
                continue
            if isinstance(effect, MarkAnswer) and effect.ok:
                continue  # the mark has been printed already
            line = lines.line(effect)
            if line is not None:
                say(line, flush=True)


def said_by_hand(mark: Mapping[str, Any]) -> str:
    """A typed mark in words: verb, subject, weights, grade and cause."""
    about = [str(mark[key]) for key in ("lot", "mold", "text") if key in mark]
    about += [", ".join(mark["molds"])] if "molds" in mark else []
    about += [f"A {mark['a_g']:g} g, B {mark['b_g']:g} g"] if "a_g" in mark and "b_g" in mark else []
    about += [f"{mark['grade']} ({mark['cause']})" if "cause" in mark else mark["grade"]] if "grade" in mark else []
    return f"{mark['verb']}: {', '.join(about)}" if about else str(mark["verb"])
