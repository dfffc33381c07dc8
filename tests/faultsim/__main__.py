"""Runs nights by their seeds: one with everything it did, or many, with the shortest fault list of each that fails.

PYTHONPATH=tests python -m faultsim SEED            one night: its faults, what broke, and the shortest list that does
PYTHONPATH=tests python -m faultsim SEED --trace    the same, each event printed
PYTHONPATH=tests python -m faultsim 10001-12000     many; a table of the faults at the end with --table
PYTHONPATH=tests python -m faultsim 20001-120000 --into FILE    in blocks, resumed where FILE ends
PYTHONPATH=tests python -m faultsim --page FILE     FILE's results as INJECTED.md shows them
PYTHONPATH=tests python -m faultsim SEED --slow 0.5 a pause [s] at each second of the night, for a debugger
"""

from __future__ import annotations

import argparse
import logging
import sys
from collections import Counter
from pathlib import Path

from faultsim.blocks import blocks_of, pairs_of, run
from faultsim.faults import Fault
from faultsim.night import Night, watch_night
from faultsim.shrink import shortest
from faultsim.tables import of_blocks, table


def main(words: list[str]) -> int:
    """The exit code: 0 if every promise was kept."""
    parser = argparse.ArgumentParser(prog="faultsim", description=__doc__.partition("\n")[0] if __doc__ else "")
    parser.add_argument("seeds", nargs="?", default="10001", help="a seed, or FIRST-LAST")
    parser.add_argument("--trace", action="store_true", help="print each event of one night")
    parser.add_argument("--slow", type=float, default=0.0, help="seconds to wait at each second of the night")
    parser.add_argument("--no-faults", action="store_true", help="the same day without faults")
    parser.add_argument("--table", action="store_true", help="count the faults of each kind and pair")
    parser.add_argument("--into", type=Path, help="append the results of blocks of nights to this file")
    parser.add_argument("--page", type=Path, help="print such a file as Markdown")
    args = parser.parse_args(words)
    logging.disable(logging.CRITICAL)
    if args.page is not None:
        print(of_blocks(blocks_of(args.page)))
        return 0
    first, _, last = args.seeds.partition("-")
    seeds = range(int(first), int(last or first) + 1)
    if args.into is not None:
        return 1 if run(seeds, args.into) else 0
    kinds: Counter[str] = Counter()
    pairs: Counter[str] = Counter()
    failed = 0
    for seed in seeds:
        night = watch_night(seed, [] if args.no_faults else None, keeps_trace=args.trace, slow_s=args.slow)
        kinds.update(fault.kind for fault in night.happened)
        pairs.update(pairs_of({fault.kind for fault in night.happened}))
        failed += bool(night.violations)
        if night.violations or len(seeds) == 1:
            report(night, shrinks=not args.no_faults)
        elif seed % 100 == 0:
            print(f"... {seed}, {failed} failed", flush=True)
    if args.table:
        print(table(kinds, pairs, len(seeds)))
    if len(seeds) > 1:
        print(f"{len(seeds)} nights, {failed} failed")
    return 1 if failed else 0


def report(night: Night, shrinks: bool = True) -> None:
    """Print one night, and if it failed the shortest list of faults that fails the same way."""
    print("\n".join(night.trace or ()))
    print(f"seed {night.seed}: {night.long_s:.0f} s, {night.lives} lives, {night.steps} steps, {night.digest[:16]}")
    _faults(night.faults)
    for text in night.violations:
        print(f"BROKEN {text}")
    if night.violations and shrinks:
        print("the shortest list that breaks the same promise:")
        _faults(shortened(night))
        print(f"again: PYTHONPATH=tests python -m faultsim {night.seed}", flush=True)


def shortened(night: Night) -> list[Fault]:
    """The shortest list of this night's faults that breaks the same promise."""
    promise = night.violations[0].partition(":")[0]

    def fails(faults: list[Fault]) -> bool:
        return any(text.startswith(f"{promise}:") for text in watch_night(night.seed, faults).violations)

    return shortest(night.faults, fails)


def _faults(faults: list[Fault]) -> None:
    for fault in faults:
        print(f"    {fault}")


if __name__ == "__main__":
    sys.exit(main(sys.argv[1:]))
