"""Prints the tables in the code as Markdown: the phase diagrams, the phrases, the findings, the topics.

The documents hold what these functions return, between markers; a test keeps the two equal.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import fields

from benchd.core.alarm.phrases import PHRASES
from benchd.core.casting import load, pour
from benchd.core.findings import FINDINGS, Finding
from benchd.runtime.mqtt.topics.table import topic_rows


def phases(table: Mapping[tuple[str, str], str], first: str, last: str) -> str:
    """One line for each phase: which events lead where."""
    names = list(dict.fromkeys([first, *(p for p, _ in table), *table.values()]))
    width = max(map(len, names))
    lines = []
    for name in names:
        steps = [f"{event} -> {to}" for (at, event), to in table.items() if at == name and to != name]
        lines.append(f"{name:<{width}}  " + ("; ".join(steps) if steps else last))
    return "```\n" + "\n".join(lines) + "\n```"


def pour_phases() -> str:
    """The phases of a pour."""
    drawn = phases(pour.TRANSITIONS, "mixing", "(until it ends)")
    return drawn + "\n\nAny phase: ended by a mark, the last demold, 12 h, or no cure."


def load_phases() -> str:
    """The phases of a load."""
    return phases(load.TRANSITIONS, "filling", "(until vented)") + "\n\nAny phase: the load ends when vented."


def words() -> str:
    """The table of phrases, most urgent first."""
    rows = ["| P | code | kind | finding | says | when | ends by |", "|---|---|---|---|---|---|---|"]
    for p in PHRASES:
        end = p.clear or ", ".join(p.ends_on) or "-"
        rows.append(f"| {p.priority} | {p.code} | {p.kind} | {p.finding} | {p.words} | {p.when} | {end} |")
    return "\n".join(rows)


def findings() -> str:
    """The table of findings and their keys."""
    common = {f.name for f in fields(Finding)}
    rows = ["| finding | keys |", "|---|---|"]
    for name, cls in FINDINGS.items():
        keys = ", ".join(f.name for f in fields(cls) if f.name not in common)
        rows.append(f"| {name} | {keys or '-'} |")
    return "\n".join(rows)


TABLES = {
    "pour phases": pour_phases,
    "load phases": load_phases,
    "words": words,
    "findings": findings,
    "topics": topic_rows,
}
"""Marker in a document -> the text between it and its end."""


def filled(text: str) -> str:
    """A document with each `<!-- marker -->` ... `<!-- end -->` block as the code has it now."""
    for name, table in TABLES.items():
        head, tail = f"<!-- {name} -->\n", "<!-- end -->"
        before, found, after = text.partition(head)
        if found:
            text = before + found + table() + "\n" + tail + after.partition(tail)[2]
    return text
