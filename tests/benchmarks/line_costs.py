"""What one line costs, step by step, in microseconds of a core: where the daemon's work beside the exact script goes.

    PYTHONPATH=tests python -m benchmarks.line_costs

Each row does what the row above it does and one thing more, over the same lines at 600 a second of bench time, without
any port, broker or thread: the least that a daemon which judges each line can cost.  The first is the exact script's
own parsing and saving.  The least of five rounds is told, since the machine is shared.
"""

from __future__ import annotations

import sqlite3
import time
from collections.abc import Callable, Sequence

from benchmarks import bare_script
from benchmarks.test_throughput import line
from daemon import ROOT

from benchd.core.bench.context import bench_from_context
from benchd.core.engine import Engine
from benchd.core.findings import Effect
from benchd.core.intake.intake import Intake
from benchd.core.intake.wire import decode
from benchd.core.model import Line
from benchd.plugins import load_settings, watcher_plan
from benchd.runtime.bulletin import Bulletin
from benchd.runtime.journal.packed_lines import pack
from benchd.runtime.journal.seal import MinuteBook
from benchd.runtime.mqtt.topics import Topics
from benchd.runtime.watch.sieve import Sieve

T0, RATE, LINES, ROUNDS = 1_767_607_331.0, 600.0, 3000, 5
BATCH = 150  # lines of a quarter of a second, which the pipeline takes together


def lines() -> list[Line]:
    return [Line(T0 + (n + 1) / RATE, "board", line(n).decode().strip()) for n in range(LINES)]


def script(items: Sequence[Line]) -> None:
    """What bare_script.py and exact_script.py do with a line, but for sending."""
    database = sqlite3.connect(":memory:")
    database.execute("CREATE TABLE readings (t REAL, name TEXT, value REAL)")
    for item in items:
        records = bare_script.parse(item.line.encode()) or []
        prefix = records[0].get("bn", "")
        for record in records:
            if "v" in record:
                database.execute("INSERT INTO readings VALUES (?, ?, ?)", (item.t, prefix + record["n"], record["v"]))
    database.close()


def checked(items: Sequence[Line]) -> None:
    sieve = Sieve()
    for item in items:
        sieve.sift(item)
        decode(item.line)


def conditioned(items: Sequence[Line]) -> None:
    sieve, intake = Sieve(), Intake()
    intake.configure(bench_from_context(load_settings(ROOT / "config" / "bench.toml").context(T0)))
    for item in items:
        sieve.sift(item)
        intake.take(item)


def engine(items: Sequence[Line]) -> None:
    _stepped(items, lambda effects: None)


def told(items: Sequence[Line]) -> None:
    """The engine's readings collected into minutes, handed on, the newest of each batch printed for the broker."""
    minutes, bulletin, topics = MinuteBook(), Bulletin(), Topics("shop", "bench")

    def tell(effects: list[Effect]) -> None:
        minutes.add_all(effects)
        bulletin.post_states(effects)
        for seq, reading in enumerate(bulletin.readings.values()):
            topics.reading(reading, seq)

    _stepped(items, tell)


def saved(items: Sequence[Line]) -> None:
    told(items)
    for at in range(0, LINES, 4 * BATCH):
        pack(list(enumerate(items[at : at + 4 * BATCH])))


def _stepped(items: Sequence[Line], tell: Callable[[list[Effect]], None]) -> None:
    sieve, one = Sieve(), Engine(watcher_plan)
    one.step(load_settings(ROOT / "config" / "bench.toml").context(T0))
    for at in range(0, len(items), BATCH):
        effects: list[Effect] = []
        for item in items[at : at + BATCH]:
            sieve.sift(item)
            effects += one.step(item)
        tell(effects)


STEPS: dict[str, Callable[[Sequence[Line]], None]] = {
    "the script: parse, five inserts": script,
    "checksum, strict decoding": checked,
    "dating, calibration, conditioning": conditioned,
    "the engine: watchers, alarms": engine,
    "minutes, newest readings for the broker": told,
    "packing for the journal": saved,
}


def main() -> None:
    items = lines()
    print("| with | us a line | of the script |\n|---|---|---|")
    first_us = 0.0
    for name, work in STEPS.items():
        took_us = min(_took_us(work, items) for _ in range(ROUNDS))
        first_us = first_us or took_us
        print(f"| {name} | {took_us:.0f} | {took_us / first_us:.1f} |", flush=True)


def _took_us(work: Callable[[Sequence[Line]], None], items: Sequence[Line]) -> float:
    since_s = time.thread_time()
    work(items)
    return 1e6 * (time.thread_time() - since_s) / len(items)


if __name__ == "__main__":
    main()
