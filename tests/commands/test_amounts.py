"""`benchd amounts`: the invented studio's three loads as its book has them, and what is said of slips and errors."""

from __future__ import annotations

import json
import re
import shutil
from pathlib import Path

import pytest

from benchd import cli

ROOT = Path(__file__).parents[2]
CONFIG = ["-c", str(ROOT / "config" / "bench.toml")]


@pytest.mark.parametrize(
    ("molds", "words"),
    [
        ("M02 M03 M06 M01", "mix 303 g of R-07:  A 159.5 g  B 143.5 g"),
        ("M05 M07 M04", "mix 281 g of R-07:  A 147.9 g  B 133.1 g"),
        ("M08 M01", "mix 278 g of R-07:  A 146.3 g  B 131.7 g"),
    ],
)
def test_the_days_three_batches(molds: str, words: str, capsys: pytest.CaptureFixture[str]) -> None:
    assert cli.main(["amounts", *molds.split(), *CONFIG]) == 0
    assert words in capsys.readouterr().out


def test_a_weight_slip_and_the_pockets_are_told(capsys: pytest.CaptureFixture[str]) -> None:
    assert cli.main(["amounts", "M01", *CONFIG, "--cup", "70 mm"]) == 0
    out = capsys.readouterr().out
    assert "11 % too much B" in out
    # by hand: 42 psi gauge over 101.3 kPa leaves 101.3 / (101.3 + 289.6) = 26 % of a pocket
    assert "falls to 26 % of its volume" in out
    found = re.search(r"A ([\d.]+) mm", out)
    assert found is not None
    # by hand: 141 g at 100:90 are 74.2 g of A, 65.7 ml, in a cup of 38.5 cm2: 17.1 mm
    assert float(found[1]) == pytest.approx(17.1, abs=0.1)


@pytest.fixture
def poured(day_journal: Path, tmp_path: Path) -> Path:
    """The invented studio's files beside the journal of its day: 862 g of R-07 poured on 2026-01-05."""
    folder = tmp_path / "config"
    shutil.copytree(ROOT / "config", folder)
    bench = (folder / "bench.toml").read_text("utf-8")
    (folder / "bench.toml").write_text(bench + f'\n[journal]\npath = "{day_journal}"\n', "utf-8")
    return folder


def with_lot(folder: Path, keys: str) -> list[str]:
    shelf = (folder / "shelf.toml").read_text("utf-8")
    (folder / "shelf.toml").write_text(shelf.replace('bought = "2 kg"', keys, 1), "utf-8")
    return ["-c", str(folder / "bench.toml")]


@pytest.mark.parametrize(
    ("keys", "words"),
    [
        # by hand: the day's three batches are 303 + 281 + 278 = 862 g, and M01 takes 141 g
        ('bought = "2 kg"', "R-07: 1138 g left by the shelf and the log, 997 g after this"),
        ('bought = "2 kg"\nleft = "1 kg"\nleft_on = 2026-01-05', "R-07 has 138 g left, 141 g are wanted"),
        ('bought = "2 kg"\nleft = "1 kg"\nleft_on = 2026-01-06', "R-07: 1000 g left by the shelf and the log, 859 g"),
        ('shelf_end = 2026-01-04', "mind: R-07 is past its shelf end"),
    ],
)  # fmt: skip
def test_what_was_poured_is_off_the_lot(
    keys: str, words: str, poured: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    code = cli.main(["amounts", "M01", "--lot", "R-07", *with_lot(poured, keys)])
    told = capsys.readouterr()
    assert words in told.out + told.err
    assert code == ("has 138 g left" in words)


def test_what_is_left_is_a_number_too(poured: Path, capsys: pytest.CaptureFixture[str]) -> None:
    assert cli.main(["amounts", "M01", *with_lot(poured, 'bought = "2 kg"'), "--json"]) == 0
    out = json.loads(capsys.readouterr().out)
    assert (out["lot"], out["left_g"], out["left_after_g"]) == ("R-07", 1138, 997)


def test_the_shelf_is_shown_as_the_log_has_it(poured: Path, capsys: pytest.CaptureFixture[str]) -> None:
    assert cli.main(["shelf", *with_lot(poured, 'bought = "2 kg"')]) == 0
    out = capsys.readouterr().out
    # M01 was cast 18 times before and twice that day
    assert re.search(r"M01 .* 20/60", out)
    assert re.search(r"R-07 .* 1138 g", out)


def test_a_small_batch_is_told(capsys: pytest.CaptureFixture[str]) -> None:
    assert cli.main(["amounts", "M05", *CONFIG]) == 0
    assert "below 85 g" in capsys.readouterr().out


def test_as_numbers(capsys: pytest.CaptureFixture[str]) -> None:
    assert cli.main(["amounts", "M02", "M03", "M06", "M01", *CONFIG, "--json"]) == 0
    out = json.loads(capsys.readouterr().out)
    assert out["batch_g"] == 303
    assert out["a_g"] + out["b_g"] == pytest.approx(303)
    assert [m["code"] for m in out["molds"]] == ["M02", "M03", "M06", "M01"]


@pytest.mark.parametrize(
    ("arguments", "words"),
    [
        (["M99"], 'no mold "M99"; known: M01'), (["M01", "--lot", "X"], 'no lot "X"; known: R-05, R-07'),
        (["M01", "--cup", "0 mm"], "not above zero"), (["M01", "--cup", "7 psi"], "--cup"),
        (["M01", "--witness=-3 g"], "not above zero"),
    ],
)  # fmt: skip
def test_what_is_wrong_is_named_with_its_remedy(
    arguments: list[str], words: str, capsys: pytest.CaptureFixture[str]
) -> None:
    assert cli.main(["amounts", *arguments, *CONFIG]) == 1
    assert words in capsys.readouterr().err


def test_a_retired_mold_is_refused(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    shelf = (ROOT / "config" / "shelf.toml").read_text("utf-8")
    path = tmp_path / "shelf.toml"
    path.write_text(shelf.replace('code = "M01"', 'code = "M01"\nretired = true', 1), "utf-8")
    assert cli.main(["amounts", "M01", *CONFIG, "--shelf", str(path)]) == 1
    assert "M01 is retired" in capsys.readouterr().err


def test_a_suspect_lot_is_told_and_an_empty_one_refused(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    assert cli.main(["amounts", "M01", "--lot", "R-05", *CONFIG]) == 0
    assert "mind: R-05 is marked: part B may be wet" in capsys.readouterr().out
    shelf = (ROOT / "config" / "shelf.toml").read_text("utf-8")
    path = tmp_path / "shelf.toml"
    path.write_text(shelf.replace('bought = "2 kg"', 'bought = "10 g"'), "utf-8")
    assert cli.main(["amounts", "M01", "--lot", "R-07", *CONFIG, "--shelf", str(path)]) == 1
    assert "R-07 has 10 g left, 141 g are wanted: open another lot" in capsys.readouterr().err
