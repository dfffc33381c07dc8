"""Does a run of many nights go on where its file ends, and past a night in which the simulator itself failed?"""

from __future__ import annotations

from collections import Counter
from pathlib import Path
from unittest.mock import patch

import pytest
from faultsim.blocks import blocks_of, run
from faultsim.night import watch_night
from faultsim.tables import of_blocks


@pytest.mark.wide
def test_blocks_of_nights_go_on_where_the_file_ends(tmp_path: Path) -> None:
    into = tmp_path / "blocks.jsonl"
    assert run(range(10_001, 10_002), into) == 0
    assert run(range(10_001, 10_003), into) == 0
    blocks = blocks_of(into)
    assert [(block.first, block.last, block.fails) for block in blocks] == [(10_001, 10_001, []), (10_002, 10_002, [])]
    assert blocks[0].kinds == Counter(fault.kind for fault in watch_night(10_001).happened)
    page = of_blocks(blocks)
    assert f"| {blocks[0].commit} | 10001 to 10002 | 2 | 0 |" in page


def test_a_night_in_which_the_simulator_fails_is_counted_and_the_others_are_run(tmp_path: Path) -> None:
    into = tmp_path / "blocks.jsonl"

    def night(seed: int) -> object:
        if seed == 10_001:
            raise ValueError("no such disk")
        return watch_night(seed)

    with patch("faultsim.blocks.watch_night", night):
        assert run(range(10_001, 10_003), into) == 1
    (block,) = blocks_of(into)
    assert block.fails == [[10_001, ["the simulator: ValueError: no such disk"]]]
    assert block.lives > 0
