"""How often each kind of fault was injected, and each pair in one night, as Markdown."""

from __future__ import annotations

from collections import Counter

from faultsim.faults import WIDE_KINDS


def table(kinds: Counter[str], pairs: Counter[tuple[str, str]], nights: int) -> str:
    """One row for each kind: how many faults, and with how many of the other kinds it shared a night how often."""
    possible = len(WIDE_KINDS) * (len(WIDE_KINDS) - 1) // 2
    lines = [
        f"{nights} nights, {kinds.total()} faults, {len(pairs)} of {possible} pairs of kinds.",
        "",
        "| fault | injected | in a night with the others: least, most |",
        "|---|---|---|",
    ]
    for kind in WIDE_KINDS:
        shared = {other: pairs[min(kind, other), max(kind, other)] for other in WIDE_KINDS if other != kind}
        (rare, few), (often, many) = min(shared.items(), key=_times), max(shared.items(), key=_times)
        lines.append(f"| {kind} | {kinds[kind]} | {few} ({rare}), {many} ({often}) |")
    return "\n".join(lines)


def _times(one: tuple[str, int]) -> tuple[int, str]:
    return one[1], one[0]
