"""Are recipes read from the shelf, and is what cannot be weighed or poured named with file, key and remedy?"""

from __future__ import annotations

import re
import shutil
from pathlib import Path

import pytest

from benchd import cli
from benchd.core.bench.recipe import Recipe
from benchd.errors import SettingsError
from benchd.plugins import load_settings

ROOT = Path(__file__).parents[2]
GREY = """
[[recipe]]
code = "grey"
pigment_pct = 3
pigment_density = "1.2 g/ml"
filler_phr = 50
filler_density = "2.7 g/ml"
"""


def studio(folder: Path, recipe: str) -> Path:
    """The invented studio with this at the end of its shelf."""
    shutil.copytree(ROOT / "config", folder / "config")
    shelf = folder / "config" / "shelf.toml"
    shelf.write_text(shelf.read_text("utf-8") + recipe, "utf-8")
    return folder / "config" / "bench.toml"


def test_a_recipe_by_parts_and_by_per_cent_are_the_same_weights(tmp_path: Path) -> None:
    # by hand: 50 parts to 103 of resin and pigment are 50/153 = 32.68 % of the whole
    per_cent = GREY.replace("filler_phr = 50", "filler_pct = 32.6797386")
    first = load_settings(studio(tmp_path / "a", GREY)).bench.recipe("grey")
    other = load_settings(studio(tmp_path / "b", per_cent)).bench.recipe("grey")
    assert first == Recipe(id="grey", code="grey", pigment_phr=3.0, pigment_g_ml=1.2, filler_phr=50.0, filler_g_ml=2.7)
    assert other is not None
    assert other.filler_phr == pytest.approx(50.0)


@pytest.mark.parametrize(
    ("was", "now", "words"),
    [
        ("filler_phr = 50", "filler_pct = 400",
         "filler_pct 400 % of filler leave no resin: it is per cent of the whole mixture; parts to 100 of resin are "
         "filler_phr"),
        ("filler_phr = 50", "filler_phr = 400",
         "filler_phr 400 parts to 100 of resin are 61 % of the volume: a paste: at most 259 parts can be poured"),
        ("filler_phr = 50", "filler_phr = -50", "filler_phr"),
        ("pigment_pct = 3", "pigment_pct = 60", "pigment_pct"),
        ('pigment_density = "1.2 g/ml"', "", "pigment_density how dense is the pigment?: write pigment_density"),
        ('filler_density = "2.7 g/ml"', "", "filler_density how dense is the filler?: write filler_density"),
        ("filler_phr = 50", "filler_phr = 50\nfiller_pct = 33",
         "filler_pct is given beside filler_phr: write one of the two"),
        ("pigment_pct = 3", "pigmentation = 3", 'pigmentation'),
        (GREY.strip().partition("\n")[2].partition("\n")[2], "", "code nothing is in this recipe: write pigment_pct"),
        ('code = "grey"', 'code = "R+grey"', "code"),
    ],
)  # fmt: skip
def test_what_cannot_be_is_named_with_its_key_and_a_remedy(tmp_path: Path, was: str, now: str, words: str) -> None:
    with pytest.raises(SettingsError) as refused:
        load_settings(studio(tmp_path, GREY.replace(was, now)))
    told = "\n".join(
        f"{c.key.rpartition('.')[2]} {c.problem}" + (f": {c.remedy}" if c.remedy else "")
        for c in refused.value.complaints if Path(c.file).name == "shelf.toml" and c.line is not None
    )  # fmt: skip
    assert words in told, told


def test_amounts_weigh_a_recipe_out(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    config = studio(tmp_path, GREY)
    assert cli.main(["amounts", "M01", "M08", "-c", str(config), "--recipe", "grey"]) == 0
    out = capsys.readouterr().out
    # by hand: fills 110 + 124 = 234 ml at 153/114.477 = 1.3365 g/ml are 312.7 g; x 1.03 + 20 = 342 g, of which 100/153
    # resin: 223.5 g, A 117.6 and B 105.9 at 100:90; pigment 6.7, filler 111.8
    assert "mix 342 g of R-07+grey:  A 117.6 g  B 105.9 g  pigment 6.7 g  filler 111.8 g" in out
    assert "a witness pour first" in out
    assert cli.main(["amounts", "M01", "-c", str(config), "--lot", "R-07+grey", "--json"]) == 0
    assert '"pigment_g": ' in capsys.readouterr().out
    assert cli.main(["amounts", "M01", "-c", str(config), "--recipe", "gray"]) == 1
    assert 'no recipe "gray"; did you mean "grey"?' in capsys.readouterr().err
    assert cli.main(["shelf", "-c", str(config)]) == 0
    assert re.search(r"^grey +3\.0 +50\.0$", capsys.readouterr().out, re.MULTILINE)


def test_a_shelf_of_recipes_alone_changes_no_pour_without_one(tmp_path: Path) -> None:
    bare = load_settings(studio(tmp_path / "a", "")).bench
    with_one = load_settings(studio(tmp_path / "b", GREY)).bench
    assert with_one.lot("r-07") == bare.lot("r-07")
    assert bare.recipes == ()
