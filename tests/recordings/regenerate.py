"""Writes the golden recordings anew, and what follows from them: run it when a change is meant, and read the diff.

    python tests/recordings/regenerate.py [--expected-only]

NAME.jsonl.xz is a recording of a rehearsed scenario, its context the example configuration; NAME.expected.jsonl is what
`benchd replay` prints of it.
"""

from __future__ import annotations

import contextlib
import io
import json
import lzma
import sys
import tempfile
from pathlib import Path

from benchd.cli import main
from benchd.core.format.record import heading, to_json
from benchd.core.model import Table
from benchd.core.mold_forecast import resin_hash
from benchd.plugins import load_settings
from benchd.rehearsal import load_scenario
from benchd.runtime.watch.sections import needed, solve_plain

HERE = Path(__file__).parent
CONFIG = HERE.parents[1] / "config" / "bench.toml"
START_T = 1_767_602_340.0  # 2026-01-05 08:39 UTC, the invented studio's Monday morning
SCENARIOS = ("load-1", "load-2-crumb", "load-3-damp")


def recording(name: str) -> str:
    """A whole recording of a scenario, context first."""
    from rehearsed.lines import recording_lines

    loaded = load_settings(CONFIG)
    lines = [heading(loaded.bench.id), to_json(loaded.context(START_T))]
    resin = needed(loaded.bench)[0]  # the day's; its section table is an input like any other
    lines.append(to_json(Table(START_T, resin.id, resin_hash(resin), solve_plain(resin))))
    lines += recording_lines(load_scenario(name), START_T, seed=1)
    return "\n".join(lines) + "\n"


def expected(name: str) -> str:
    """What follows from the stored recording."""
    with tempfile.TemporaryDirectory() as folder:
        path = Path(folder) / "recording.jsonl"
        path.write_bytes(lzma.decompress((HERE / f"{name}.jsonl.xz").read_bytes()))
        out = io.StringIO()
        with contextlib.redirect_stdout(out):
            assert main(["replay", str(path)]) == 0
    rows = [json.loads(line) for line in out.getvalue().splitlines()]
    return "".join(json.dumps(row, ensure_ascii=False, separators=(",", ":")) + "\n" for row in rows)


if __name__ == "__main__":
    sys.path.insert(0, str(HERE.parent))  # as pytest has it, for tests/rehearsed
    for scenario in SCENARIOS:
        if "--expected-only" not in sys.argv:
            (HERE / f"{scenario}.jsonl.xz").write_bytes(lzma.compress(recording(scenario).encode(), preset=9))
        (HERE / f"{scenario}.expected.jsonl").write_text(expected(scenario), "utf-8")
