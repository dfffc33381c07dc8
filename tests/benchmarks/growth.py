"""What does a second of watching cost as a bench has more channels, pots, cups, molds, phones?  Curves by one command.

    PYTHONPATH=tests python -m benchmarks.growth [channels pots molds phones]

The recorded load 1 is played to an engine without a clock: every cup and pot of the bench shows its curve, each some
seconds after the one before, every further channel its room.  Costs are seconds of a core, so that they hold on a busy
machine; each has beside it the same for the smallest bench of the same run.  A step is one line or tick of the board.
"""

from __future__ import annotations

import itertools
import json
import lzma
import sys
import tempfile
import time
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from pathlib import Path

from daemon import ROOT

from benchd.core.engine import Engine
from benchd.core.intake.wire import encode
from benchd.core.model import Line, Mark, Reading, Table
from benchd.core.mold_forecast import resin_hash
from benchd.plugins import load_settings, watcher_plan
from benchd.runtime.bulletin import Bulletin, Posted
from benchd.runtime.watch.sections import solve_plain

CHANNELS, POTS, MOLDS, PHONES = (6, 12, 30, 60), (1, 2, 3, 6), (10, 30, 100, 300, 1000), (1, 5, 16, 50)
CUPS_A_POT = 3
A_LINE = 8  # values in a line of at most 512 bytes
APART_S = 20.0  # from one cup's mix to the next
PLAYED_S = 420.0  # the minute before the first mix, the pour, the kick, part of the hold
UNITS = {"cup": "Cel", "pot": "Pa", "room": "Cel", "rh": "%RH"}


@dataclass(frozen=True)
class Cost:
    """Seconds of a core: a second of the bench on average, and the steps that took longest."""

    mean_s: float
    p99_s: float
    worst_s: float


def curve() -> list[dict[str, float]]:
    """Load 1 of the invented day, a row a quarter of a second: cup [C], pot [Pa], room [C], humidity [%RH]."""
    rows, last = list[dict[str, float]](), dict[str, float]()
    with lzma.open(ROOT / "tests" / "recordings" / "load-1.jsonl.xz", "rt") as file:
        for text in itertools.islice(file, 1, None):
            line = json.loads(text).get("line")
            if line is not None:
                records = json.loads(line.rpartition(" ")[0])
                last |= {record["n"]: float(record["v"]) for record in records if "v" in record}
                rows.append({name: last[name] for name in UNITS if name in last})
    return rows


def bench_file(folder: Path, channels: int, pots: int, cups: int, molds: int) -> Path:
    """The settings of such a bench, in a folder with the example's resins."""
    text = (ROOT / "config" / "bench.toml").read_text("utf-8")
    more = []
    for n in range(2, pots + 1):
        block = text.partition("[pot.barrel]")[2].partition("[cup.")[0].partition("# ---")[0]
        more.append(f"[pot.pot-{n}]{block.replace('Barrel', f'Pot {n}')}")
        more.append(_channel(f"b1-pot{n}", "pot_pressure", f"pot-{n}", 'range = ["-2 psi", "100 psi"]'))
    for n in range(2, cups + 1):
        more.append(f'[cup.cup-{n}]\nname = "cup {n}"\nkind = "witness"\nmass = "25 g"\n')
        more.append(_channel(f"b1-cup{n}", "cup_temperature", f"cup-{n}", 'resolution = "0.25 C"'))
    more += [_channel(f"b1-mold{n}", "mold_temperature", f"m{n + 100}", "") for n in range(4 + pots + cups, channels)]
    (folder / "bench.toml").write_text(text + "\n" + "\n".join(more), "utf-8")
    (folder / "resins").symlink_to(ROOT / "config" / "resins")
    shelf = (ROOT / "config" / "shelf.toml").read_text("utf-8")
    wanted = max(molds, 106 + channels if channels > 8 else 0)
    shelf += "".join(
        f'\n[[mold]]\ncode = "M{n}"\nname = "Drawn {n}"\ncavity_ml = 30\nthin_mm = 3\nthick_mm = 12\nwall_mm = 12\n'
        for n in range(100, 100 + wanted)
    )
    (folder / "shelf.toml").write_text(shelf, "utf-8")
    return folder / "bench.toml"


def _channel(senml: str, role: str, of: str, more: str) -> str:
    return f'[[channel]]\nsource = "board"\nsenml = "{senml}"\nrole = "{role}"\nof = "{of}"\n{more}\n'


def play(channels: int, pots: int, cups: int, molds: int, played_s: float = PLAYED_S) -> Cost:
    """Load 1 in every cup and pot of such a bench; what it cost."""
    rows = curve()
    with tempfile.TemporaryDirectory() as name:
        loaded = load_settings(bench_file(Path(name), channels, pots, cups, molds))
    t0 = 1_767_602_340.0
    engine = Engine(watcher_plan)
    engine.step(loaded.context(t0))
    for resin in loaded.bench.resins:
        engine.step(Table(t0, resin.id, resin_hash(resin), solve_plain(resin)))
    names = [channel.senml.removeprefix("b1-") for channel in loaded.bench.channels]
    took, seq = list[float](), 0
    mixes = {60.0 + APART_S * n: n for n in range(cups)}
    for at in range(int(4 * played_s)):
        second = at / 4.0
        values = [_value(name, rows, at) for name in names]
        items: list[Line | Mark] = []
        for first in range(0, len(values), A_LINE):
            seq += 1
            line = encode(values[first : first + A_LINE], board="b1-", seq=seq)
            items.append(Line(t0 + second, "board", line.decode().strip()))
        if second in mixes:
            n = mixes[second]
            pot = "barrel" if n // CUPS_A_POT == 0 else f"pot-{n // CUPS_A_POT + 1}"
            items.append(Mark(t=t0 + second, verb="mix", cup=f"cup-{n + 1}", pot=pot, lot="r-07", molds=("m01",)))
        for item in items:
            since_s = time.process_time()
            engine.step(item)
            took.append(time.process_time() - since_s)
    took.sort()
    return Cost(sum(took) / played_s, took[int(0.99 * len(took))], took[-1])


def _value(name: str, rows: Sequence[dict[str, float]], at: int) -> tuple[str, float, None, str]:
    """What a channel shows: its cup's or pot's curve, delayed; a mold as warm as the room."""
    kind = name.rstrip("0123456789")
    n = int(name[len(kind) :] or 1)
    if kind == "mold":
        return name, rows[at].get("room", 21.5), None, "Cel"
    if kind in ("tank", "tankt"):
        value, unit = (700_000.0, "Pa") if kind == "tank" else (21.5, "Cel")
        return name, value, None, unit
    each_s = APART_S if kind == "cup" else APART_S * CUPS_A_POT if kind == "pot" else 0.0
    row = rows[max(0, at - int(4 * each_s * (n - 1)))]
    return name, row.get(kind, 45.0 if kind == "rh" else 21.5), None, UNITS[kind]


def phones(count: int, posts: int = 4000) -> Cost:
    """What a posted reading costs with that many open streams, each drained as its connection would."""
    bulletin = Bulletin()
    streams = [bulletin.subscribe() for _ in range(count)]
    took = []
    for n in range(posts):
        reading = Reading(t=float(n), channel="cup-1-temperature", role="cup_temperature", of="cup-1", value=20.0,
                          raw=20.0)  # fmt: skip
        since_s = time.process_time()
        bulletin.post([Posted(reading)])
        took.append(time.process_time() - since_s)
        if n % 4 == 0:
            for stream in streams:
                stream._state.clear()
    took.sort()
    return Cost(sum(took) / posts, took[int(0.99 * posts)], took[-1])


def table(kind: str) -> Iterator[str]:
    """One curve: a line a size."""
    first: Cost | None = None
    for size in {"channels": CHANNELS, "pots": POTS, "molds": MOLDS, "phones": PHONES}[kind]:
        match kind:
            case "channels":
                cost = play(size, 1, 1, 0)
            case "pots":
                cost = play(6, size, CUPS_A_POT * size, 0)
            case "molds":
                cost = play(6, 1, 1, size)
            case _:
                cost = phones(size)
        first = first or cost
        yield (
            f"| {kind} | {size} | {1e3 * cost.mean_s:.3g} | {cost.mean_s / first.mean_s:.1f} | "
            f"{1e3 * cost.p99_s:.3g} | {1e3 * cost.worst_s:.3g} |"
        )


if __name__ == "__main__":
    print("| what | of it | a second [ms] | times the first | p99 step [ms] | worst step [ms] |")
    print("|---" * 6 + "|")
    for one in sys.argv[1:] or ("channels", "pots", "molds"):
        for row in table(one):
            print(row, flush=True)
