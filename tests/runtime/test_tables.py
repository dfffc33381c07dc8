"""Are section tables stored by their hash, solved when missing, and never the end of the watch?"""

from __future__ import annotations

import json
import os
from dataclasses import replace
from pathlib import Path

import pytest

from benchd.core.bench import Bench, Lot, Resin
from benchd.core.mold_forecast import resin_hash, resin_model
from benchd.runtime.watch import sections as tables
from benchd.runtime.watch.sections import MOST_KEPT, TableStore, needed, solve_plain, solved_tables, stored_tables

FAST = Resin(id="fast", name="Fast", pot_life_s=180.0, demold_s=600.0)
SLOW = Resin(id="slow", name="Slow", pot_life_s=1200.0, demold_s=7200.0)
BENCH = Bench(id="north", shop="quiet-harbour", name="North", resins=(SLOW, FAST), lots=(
    Lot(id="r-07", code="R-07", resin="fast", label=replace(FAST, pot_life_s=165.0)),
))  # fmt: skip
T = 1_767_607_200.0


@pytest.fixture(scope="module")
def plain() -> dict[str, str]:
    return solve_plain(FAST)


async def solve(bench: Bench, store: TableStore) -> tuple[list[str], list[str]]:
    trouble: list[str] = []
    return [t.resin async for t in solved_tables(bench, store, lambda: T, trouble.append)], trouble


async def test_tables_are_solved_once_and_stored(tmp_path: Path) -> None:
    store = TableStore(tmp_path / "tables")
    assert list(stored_tables(BENCH, store, lambda: T)) == []
    assert await solve(BENCH, store) == (["fast", "slow"], [])  # the lot's resin first
    assert await solve(BENCH, store) == ([], [])
    kept = list(stored_tables(BENCH, store, lambda: T))
    assert [(t.resin, t.hash, t.t) for t in kept] == [(r.id, resin_hash(r), T) for r in (FAST, SLOW)]
    assert all(resin_model(BENCH, t) is not None for t in kept)
    assert resin_model(replace(BENCH, resins=(replace(FAST, pot_life_s=200.0),)), kept[0]) is None


def test_a_lots_own_pot_life_needs_no_table_of_its_own() -> None:
    assert [r.id for r in needed(BENCH)] == ["fast", "slow"]


@pytest.mark.parametrize("text", ["", "{}", "[1, 2]", '{"times": "AAAA", "ratios": "AAAA"}', "\x00"])
async def test_a_spoilt_file_is_solved_anew(
    tmp_path: Path, text: str, plain: dict[str, str], monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(tables, "solve_plain", lambda resin: plain)
    store, bench = TableStore(tmp_path), replace(BENCH, resins=(FAST,))
    (tmp_path / f"{resin_hash(FAST)}.json").write_text(text)
    assert await solve(bench, store) == (["fast"], [])
    assert store.read(resin_hash(FAST)) == plain


async def test_what_cannot_be_kept_is_told_and_still_handed_on(
    tmp_path: Path, plain: dict[str, str], monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(tables, "solve_plain", lambda resin: plain)
    (tmp_path / "tables").write_text("a file where the folder should be")
    found, trouble = await solve(replace(BENCH, resins=(FAST,)), TableStore(tmp_path / "tables"))
    assert found == ["fast"]
    assert "not kept" in trouble[0]


async def test_an_impossible_label_is_told_and_the_others_are_solved(
    tmp_path: Path, plain: dict[str, str], monkeypatch: pytest.MonkeyPatch
) -> None:
    real = tables.solve_plain
    monkeypatch.setattr(tables, "solve_plain", lambda resin: plain if resin.id == "fast" else real(resin))
    bench = replace(BENCH, resins=(replace(SLOW, pot_life_s=0.0), FAST))
    found, trouble = await solve(bench, TableStore(tmp_path))
    assert found == ["fast"]
    assert trouble == ["sections of slow: pot life and mass must be positive"]


def test_the_store_forgets_what_was_read_longest_ago(tmp_path: Path, plain: dict[str, str]) -> None:
    store = TableStore(tmp_path)
    for i in range(MOST_KEPT + 3):
        (tmp_path / f"{i:016x}.json").write_text(json.dumps(plain))
        os.utime(tmp_path / f"{i:016x}.json", (i, i))
    assert store.read(f"{0:016x}") == plain  # read just now: it stays
    store.keep("ff", plain)
    left = sorted(p.stem for p in tmp_path.iterdir())
    assert len(left) == MOST_KEPT
    assert f"{0:016x}" in left
    assert f"{1:016x}" not in left
    assert "ff" in left
