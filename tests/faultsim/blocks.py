"""Runs many nights in blocks, appends each block's result to a file, and goes on where the file ends.

One JSON object a line: the commit, the first and last seed, the seeds that failed with what broke, and how often each
kind of fault and each pair of kinds was injected.  `lines_of` and `summary` read it back; tables.py prints it.
"""

from __future__ import annotations

import json
import subprocess
import time
from collections import Counter
from collections.abc import Sequence
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

from faultsim.night import watch_night

BLOCK = 100


@dataclass
class Block:
    """What a run of consecutive seeds gave; times in seconds."""

    commit: str
    first: int
    last: int
    fails: list[Any] = field(default_factory=list)
    cpu_s: float = 0.0
    wall_s: float = 0.0
    virt_s: float = 0.0
    lives: int = 0
    replayed: int = 0
    kinds: Counter[str] = field(default_factory=Counter)
    pairs: Counter[str] = field(default_factory=Counter)

    @property
    def nights(self) -> int:
        """How many."""
        return self.last - self.first + 1


def run(seeds: Sequence[int], into: Path) -> int:
    """Run these nights but those that this commit already ran; how many failed."""
    commit = this_commit()
    done = [block.last for block in blocks_of(into) if block.commit == commit and block.last in seeds]
    failed = 0
    for first in range(max([seeds[0], *(last + 1 for last in done)]), seeds[-1] + 1, BLOCK):
        block = one(Block(commit, first, min(first + BLOCK - 1, seeds[-1])))
        failed += len(block.fails)
        with into.open("a", encoding="utf-8") as file:
            file.write(json.dumps(vars(block)) + "\n")
    return failed


def one(block: Block) -> Block:
    """Run one block."""
    cpu_s, wall_s = time.process_time(), time.perf_counter()
    for seed in range(block.first, block.last + 1):
        try:
            night = watch_night(seed)
        except Exception as error:  # the simulator itself failed; the other nights are run all the same
            block.fails.append([seed, [f"the simulator: {type(error).__name__}: {error}"]])
            continue
        block.virt_s += night.long_s
        block.lives += night.lives
        block.replayed += night.counts["replayed"]
        block.kinds.update(fault.kind for fault in night.happened)
        block.pairs.update(pairs_of({fault.kind for fault in night.happened}))
        if night.violations:
            block.fails.append([seed, night.violations])
    block.cpu_s = round(time.process_time() - cpu_s, 1)
    block.wall_s = round(time.perf_counter() - wall_s, 1)
    return block


def pairs_of(kinds: set[str]) -> list[str]:
    """Each pair of different kinds, as "a+b" in the order of their names."""
    different = sorted(kinds)
    return [f"{a}+{b}" for at, a in enumerate(different) for b in different[at + 1 :]]


def blocks_of(path: Path) -> list[Block]:
    """The blocks in a file; none where there is no file yet."""
    if not path.exists():
        return []
    found = [Block(**json.loads(line)) for line in path.read_text("utf-8").splitlines()]
    for block in found:
        block.kinds, block.pairs = Counter(block.kinds), Counter(block.pairs)
    return found


def this_commit() -> str:
    """The commit that runs, with a + where files differ from it; "unknown" outside a clone."""
    words = ["git", "-C", str(Path(__file__).parent), "describe", "--always", "--dirty=+", "--abbrev=8"]
    found = subprocess.run(words, capture_output=True, text=True)
    return found.stdout.strip() or "unknown"
