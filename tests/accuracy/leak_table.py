"""The leak watcher's scorecard as markdown: PYTHONPATH=tests python tests/accuracy/leak_table.py"""

from __future__ import annotations

import sys
from collections.abc import Callable
from multiprocessing import Pool
from typing import Any

from accuracy.leak_card import Row, World, equal, row
from accuracy.leak_card_more import Fast, Floor, empty, fast, floor


def _run(job: tuple[Callable[[World], Any], World]) -> Any:
    return job[0](job[1])


def table(pots: int) -> str:
    """The scorecard as markdown."""
    plain = [World(pots), World(pots, is_learned=True)]
    probed = [World(pots, use_probe=True), World(pots, use_probe=True, is_learned=True)]
    second = [World(pots, second=True)]
    jobs: list[tuple[Callable[[World], Any], World]] = []
    jobs += [(row, w) for w in plain + probed + second] + [(fast, w) for w in plain + second]
    jobs += [(floor, w) for w in plain + second] + [(empty, w) for w in plain] + [(equal, plain[0])]
    with Pool(2) as pool:
        got = pool.map(_run, jobs, chunksize=1)
    names = ("generic pot", "after five tight fills")
    out = []
    a, b, c, d, other, fast_a, fast_b, fast_c, floor_a, floor_b, floor_c, empty_a, empty_b, same = got
    for title, left, right in (("leak", a, b), ("leak, with a gas probe", c, d), ("leak, second family", other, None)):
        out += [*_head(title, names, right), *_rows(left, right or left, right is not None), ""]
    for title, f, g, m, n in (
        ("fast, floor", fast_a, fast_b, floor_a, floor_b),
        ("the same, second family", fast_c, None, floor_c, None),
    ):
        rows = [*_fast_rows(f, g or f), *_floor_rows(m, n or m)]
        out += [*_head(title, names, g), *(r if g else r.rsplit("|", 2)[0] + "|" for r in rows), ""]
    out += [*_head("empty-pot test, 10 min", names, empty_b), *_empty_rows(empty_a, empty_b)]
    out += ["", *_head("found at equal false alarms (line), minutes 3, 5, 10", names, None)]
    for size, pairs in same.items():
        out.append(f"| {size} psi/min | {', '.join(f'{found:.0%} ({line:.0%})' for found, line in pairs)} |")
    return "\n".join(out)


def _head(title: str, names: tuple[str, str], right: object) -> list[str]:
    return (
        [f"| {title} | {names[0]} | {names[1]} |", "|---|---|---|"]
        if right
        else [f"| {title} | {names[0]} |", "|---|---|"]
    )


def _line(name: str, a: object, b: object) -> str:
    return f"| {name} | {a} | {b} |"


def _rows(a: Row, b: Row, two: bool) -> list[str]:
    out = [
        _line(
            "false alarms in 10 min: holds (pots)", *(f"{r.false_holds} of {r.tight} ({r.false_pots})" for r in (a, b))
        )
    ]
    for size in a.leaks:
        shares = [f"{r.leaks[size][0]:.1%} / {r.leaks[size][1]:.1%}" for r in (a, b)]
        out.append(_line(f"{size} psi/min found in 5 / 10 min", *shares))
        shares = [f"{r.leaks[size][2]:.1%} / {r.leaks[size][3]:.1%}" for r in (a, b)]
        out.append(
            _line(
                "the same by a straight line through the last 3 min at minute 5 / 10 (1 % false of these fills)",
                *shares,
            )
        )
    out.append(
        _line(
            "size error p90 of the largest of these, at 5 / 10 min",
            *(f"{r.size_p90:.0f} / {r.size_10_p90:.0f} %" for r in (a, b)),
        )
    )
    out.append(
        _line(
            "the same against the loss at the pressure then",
            *(f"{r.size_now_p90[0]:.0f} / {r.size_now_p90[1]:.0f} %" for r in (a, b)),
        )
    )
    out.append(
        _line(
            "tight-to holds the truth, leaks of 0.03 to 0.3 psi/min, minute 10",
            *(f"{r.covered[0]} of {r.covered[1]}" for r in (a, b)),
        )
    )
    out.append(_line("median tight-to, minute 10", *(f"{r.median_x:.2f} psi/min" for r in (a, b))))
    return out if two else [r.rsplit("|", 2)[0] + "|" for r in out]


def _fast_rows(a: Fast, b: Fast) -> list[str]:
    out = []
    for name, key in (("opening in mid hold", "after"), ("from the fill on", "during")):
        figures = [getattr(f, key) for f in (a, b)]
        out.append(
            _line(
                f"5 and 8 psi/min {name}: median / p95, never",
                *(f"{m:.0f} / {p:.0f} s, {x:.1%}" for m, p, x in figures),
            )
        )
    return [*out, _line("fast-leak alarms of tight fast fills", *(f"{f.false} of {f.tight}" for f in (a, b)))]


def _floor_rows(a: Floor, b: Floor) -> list[str]:
    def shares(four: tuple[int, int, int, int]) -> str:
        return f"{four[1] / max(1, four[0]):.1%} of {four[0]} / {four[3] / max(1, four[2]):.1%} of {four[2]}"

    whole = [shares((f.crossed, f.missed, f.kept, f.false)) for f in (a, b)]
    return [
        _line("floor before gel: missed / false", *whole),
        _line("the same, not within 0.3 psi", *(shares(f.far) for f in (a, b))),
        _line("said and taken back again in holds that kept it", *(f"{f.ever} of {f.kept}" for f in (a, b))),
        _line(
            "how long before the floor the word stood: median; one in ten under",
            *(f"{f.lead_s[0]:.0f}; {f.lead_s[1]:.0f} s" for f in (a, b)),
        ),
    ]


def _empty_rows(a: dict[float, tuple[float, float]], b: dict[float, tuple[float, float]]) -> list[str]:
    out = [_line("false alarms", f"{a[0.0][0]:.1%}", f"{b[0.0][0]:.1%}")]
    return out + [
        _line(f"{leak} psi/min found; size error p90", *(f"{x[leak][0]:.1%}; {x[leak][1]:.0f} %" for x in (a, b)))
        for leak in (0.1, 0.2)
    ]


if __name__ == "__main__":
    print(table(int(sys.argv[1]) if len(sys.argv) > 1 else 150))
