"""How often each kind of fault was injected, and each pair of kinds in one night, as Markdown."""

from __future__ import annotations

from collections import Counter
from collections.abc import Sequence

from faultsim.blocks import Block
from faultsim.faults import WIDE_KINDS

HEAD = """# What was injected

Generated: `PYTHONPATH=tests python -m faultsim --page FILE`, FILE as `--into` wrote it. A + after a commit: with
changes that were not committed yet.
"""


def table(kinds: Counter[str], pairs: Counter[str], nights: int) -> str:
    """One row for each kind: how many faults, and with how many of the other kinds it shared a night how often."""
    possible = len(WIDE_KINDS) * (len(WIDE_KINDS) - 1) // 2
    lines = [
        f"{nights} nights, {kinds.total()} faults, {len(pairs)} of {possible} pairs of kinds.",
        "",
        "| fault | injected | in a night with the others: least, most |",
        "|---|---|---|",
    ]
    for kind in WIDE_KINDS:
        shared = {other: _shared(pairs, kind, other) for other in WIDE_KINDS if other != kind}
        (rare, few), (often, many) = min(shared.items(), key=_times), max(shared.items(), key=_times)
        lines.append(f"| {kind} | {kinds[kind]} | {few} ({rare}), {many} ({often}) |")
    return "\n".join(lines)


def pair_table(pairs: Counter[str]) -> str:
    """A triangle: each kind against those before it, by their numbers in the list of kinds."""
    lines = [
        "| | " + " | ".join(str(at + 1) for at in range(len(WIDE_KINDS) - 1)) + " |",
        "|---" * len(WIDE_KINDS) + "|",
    ]
    for at, kind in enumerate(WIDE_KINDS):
        cells = [str(_shared(pairs, kind, other)) for other in WIDE_KINDS[:at]]
        cells += [""] * (len(WIDE_KINDS) - 1 - at)
        lines.append(f"| {at + 1} {kind} | " + " | ".join(cells[: len(WIDE_KINDS) - 1]) + " |")
    return "\n".join(lines)


def of_blocks(blocks: Sequence[Block]) -> str:
    """The whole page: what ran at which commit, what failed, kinds and pairs."""
    kinds, pairs = sum_of([block.kinds for block in blocks]), sum_of([block.pairs for block in blocks])
    lines = [
        HEAD,
        "| commit | seeds | nights | failed | bench time | processor time a night |",
        "|---|---|---|---|---|---|",
    ]
    for ours in in_a_row(blocks):
        nights, cpu_s = sum(block.nights for block in ours), sum(block.cpu_s for block in ours)
        failed, hours = sum(len(block.fails) for block in ours), sum(block.virt_s for block in ours) / 3600.0
        seeds = f"{ours[0].first} to {ours[-1].last}"
        lines.append(f"| {ours[0].commit} | {seeds} | {nights} | {failed} | {hours:.1f} h | {cpu_s / nights:.2f} s |")
    different = len({seed for block in blocks for seed in range(block.first, block.last + 1)})
    lines += ["", f"{different} different seeds."]
    nights = sum(block.nights for block in blocks)
    return "\n".join([*lines, "", table(kinds, pairs, nights), "", "In one night:", "", pair_table(pairs), ""])


def in_a_row(blocks: Sequence[Block]) -> list[list[Block]]:
    """The blocks of one commit that follow one another without a gap, together."""
    found: list[list[Block]] = []
    for block in blocks:
        last = found[-1][-1] if found else None
        if last is not None and (last.commit, last.last + 1) == (block.commit, block.first):
            found[-1].append(block)
        else:
            found.append([block])
    return found


def sum_of(counts: Sequence[Counter[str]]) -> Counter[str]:
    """All of them together."""
    found: Counter[str] = Counter()
    for count in counts:
        found.update(count)
    return found


def _shared(pairs: Counter[str], a: str, b: str) -> int:
    return pairs[f"{min(a, b)}+{max(a, b)}"]


def _times(one: tuple[str, int]) -> tuple[int, str]:
    return one[1], one[0]
