"""How often "Last mold", "Lid now" and "Late" are needless, missing or too late, over rehearsed loads?

Each load is played twice (paced_casters.py): by a caster who acts on the words 2 to 5 s later, and by one who ignores
them.  *Late*: at the floor after the cup's true kick.  *Hopeless*: late even with one mold and no interruption; nothing
can be said in time about them, and they are left out.  *With time*: who ignores the words is up 20 s before the true
kick (an eighth of the time to it, if that is less); what is said about such a load is needless.  *Not foretold*: at
the last moment when a lid would still have done, the kick was foretold later than it came by more than that margin; no
clock can call in time what its forecast does not know.  *Unseen*: the caster dawdles, and what shows it, a lid or mold
overdue by that very caster's time, would show after that moment; until then a load whose lid is on its way looks the
same.  Built on seeds 0 to 199, 3000 to 3149 and 6000 to 6149; those reported were played once, at the end.

The small version runs always; `pytest -m accuracy tests/accuracy/test_paced_loads.py` plays the whole and, with
BENCHD_WRITE_SCORECARD=1, writes its table.
"""

from __future__ import annotations

import math
from multiprocessing import Pool

import pytest
from accuracy.card import put
from paced_casters import Load, Played, draw, play
from some_of import some_of

Pair = tuple[Load, Played, Played]
"""A load, as played by one who ignores the words, and by one who obeys."""
SHOWS_S = 1.5
"""After so long a rise shows on the gauge."""
KEPT = range(5000, 5150)


def pair(seed: int) -> Pair:
    load, cup = draw(seed)
    ignored = play(load, cup, obeys=False)
    return load, ignored, play(load, cup, obeys=True, told=ignored.cup)


def is_hopeless(load: Load, ignored: Played) -> bool:
    return load.mix_s + load.pours_s[0] + load.lid_s + load.fill_s > ignored.kick_s


def has_time(played: Played) -> bool:
    return played.spare_s >= min(20.0, played.kick_s / 8.0)


def is_called(played: Played) -> bool:
    return played.called_s < min(played.up_s, math.inf)


def is_foretold(pair: Pair) -> bool:
    """Whether the kick was known well enough when the lid had to begin at the latest."""
    _, ignored, _ = pair
    return ignored.likely_s(lid_by_s(pair)) - ignored.kick_s <= min(20.0, ignored.kick_s / 8.0)


def lid_by_s(pair: Pair) -> float:
    """When "Lid now" would just have done, s after the mix."""
    load, ignored, _ = pair
    return ignored.kick_s - load.react_s - load.lid_s - load.fill_s


def is_unseen(pair: Pair) -> bool:
    """Whether nothing showed that the caster who obeys dawdled until it was too late for a word."""
    load, _, obeyed = pair
    if math.isinf(obeyed.dawdled_s):
        return False
    if load.marks == "each":
        is_lid_next = obeyed.poured <= load.hitch_at
        shown_s = obeyed.dawdled_s + (load.lid_s if is_lid_next else load.pours_s[load.hitch_at])
    else:  # molds that nobody marks are full by the clock
        shown_s = load.mix_s + sum(load.pours_s) + load.lid_s
    return shown_s + SHOWS_S > lid_by_s(pair)


def row(name: str, pairs: list[Pair]) -> str:
    late = [p for p in pairs if p[1].spare_s < 0.0]
    calm, missed = [p for p in pairs if has_time(p[1])], [p for p in pairs if p[2].spare_s < 0.0]
    cells = (
        len(pairs), len(late), sum(not is_called(p[1]) for p in late), len(calm), sum(is_called(p[1]) for p in calm),
        sum(p[1].is_told_to_stop_stirring for p in calm),
        len(missed), sum(not is_foretold(p) for p in missed), sum(is_foretold(p) and is_unseen(p) for p in missed),
        sum(p[2].spilled for p in pairs),
        sum(len(p[0].molds) - p[2].poured for p in calm),
    )  # fmt: skip
    return f"| {name} | " + " | ".join(str(cell) for cell in cells) + " |"


@pytest.mark.timeout(120)
@pytest.mark.parametrize("seed", some_of([2, 8, 53, 103, 114], 1))
def test_who_obeys_is_up_in_time_where_who_ignores_is_late(seed: int) -> None:
    _, ignored, obeyed = pair(seed)
    assert is_called(ignored)
    assert obeyed.spare_s > max(0.0, ignored.spare_s)


@pytest.mark.timeout(120)
@pytest.mark.parametrize("seed", some_of([0, 7, 12, 29], 1))
def test_a_load_with_time_to_spare_hears_nothing(seed: int) -> None:
    _, ignored, _ = pair(seed)
    assert has_time(ignored)
    assert not is_called(ignored)


@pytest.mark.accuracy
@pytest.mark.timeout(3600)
def test_all_paced_loads() -> None:
    with Pool(2) as pool:
        played = pool.map(pair, KEPT, chunksize=4)
    pairs = [p for p in played if not is_hopeless(p[0], p[1])]
    lines = [
        f"{len(KEPT)} loads, {len(played) - len(pairs)} of them hopeless, about which "
        f"{sum(is_called(p[1]) for p in played if is_hopeless(p[0], p[1]))} calls were made.",
        "",
        "| loads | n | late if ignored | of them never called | with time | of them called | told to stop stirring "
        "| late if obeyed | of them not foretold | foretold, but unseen | molds spilled | molds left out with time |",
        "|---|---|---|---|---|---|---|---|---|---|---|---|",
        row("all", pairs),
        row("each mold marked", [p for p in pairs if p[0].marks == "each"]),
        row("the last mold marked", [p for p in pairs if p[0].marks == "all"]),
        row("nothing marked", [p for p in pairs if p[0].marks == "none"]),
        row("lot timed", [p for p in pairs if p[0].is_timed]),
        row("lot known by its label", [p for p in pairs if not p[0].is_timed]),
    ]
    told = [p for p in pairs if is_foretold(p)]
    late = [p for p in told if p[1].spare_s < 0.0]
    assert sum(p[2].spare_s < 0.0 for p in told) < 0.5 * len(late), "obeying has to be worth it"
    calm = [p for p in pairs if has_time(p[1])]
    assert sum(is_called(p[1]) for p in calm) <= 0.1 * len(calm), "needless calls: a tenth at most, as asked"
    put("paced loads", lines)
