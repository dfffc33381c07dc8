"""Are orders kept by the command, with and without a daemon, backed up, and served by the plan?"""

from __future__ import annotations

import asyncio
import json
import shutil
import zipfile
from pathlib import Path

import pytest
from daemon import ROOT

from benchd.cli import main
from benchd.runtime.journal.journal import Journal


@pytest.fixture
def config(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    """A copy of the invented studio's files, its journal in a folder of its own, and no daemon anywhere."""
    shutil.copytree(ROOT / "config", tmp_path / "config")
    path = tmp_path / "config" / "bench.toml"
    path.write_text(path.read_text("utf-8") + f"\n[journal]\npath = {json.dumps(str(tmp_path / 's' / 'j.db'))}\n")
    monkeypatch.setenv("RUNTIME_DIRECTORY", str(tmp_path / "run"))
    monkeypatch.chdir(tmp_path)
    return path


async def journal(path: Path) -> None:
    async with Journal(path):
        pass


def said(capsys: pytest.CaptureFixture[str], *words: str) -> tuple[int, str, str]:
    code = main(list(words))
    out = capsys.readouterr()
    return code, out.out, out.err


def test_an_order_is_written_shown_planned_and_refused_with_its_remedy(
    config: Path, capsys: pytest.CaptureFixture[str], tmp_path: Path
) -> None:
    code, out, err = said(capsys, "orders", "add", "Q7", "M01", "M06", "--figures", "2", "--price", "90")
    assert (code, err) == (0, "benchd is not running: written into the file\n")
    assert "Q7: 2 figures, 90.00: to cast" in out
    assert "M01 Lantern Keeper torso              2 wanted    0 good   0 curing    2 to cast    0 trimmed" in out
    assert json.loads((tmp_path / "s" / "orders.json").read_text("utf-8"))["items"][0]["parts"] == {"m01": 1, "m06": 1}
    code, out, _ = said(capsys, "plan", "--orders", "--temp", "21.5C", "--json")
    assert code == 0
    assert sorted(m["code"] for load in json.loads(out)["sheet"]["loads"] for m in load["molds"]) == [
        "M01", "M01", "M06", "M06"]  # fmt: skip
    code, _, err = said(capsys, "orders", "add", "Q8", "M99")
    assert code == 1
    assert 'no mold makes it: no mold "M99"' in err
    assert [o["code"] for o in json.loads(said(capsys, "orders", "--json")[1])["orders"]] == ["Q7"]


def test_orders_are_in_a_backup_and_come_back(config: Path, capsys: pytest.CaptureFixture[str], tmp_path: Path) -> None:
    said(capsys, "orders", "add", "Q7", "M01", "--figures", "2")
    asyncio.run(journal(tmp_path / "s" / "j.db"))
    code, _, err = said(capsys, "backup", "-c", str(config), "all.zip")
    assert code == 0, err
    with zipfile.ZipFile("all.zip") as file:
        assert "state/orders.json" in file.namelist()
    code, _, err = said(capsys, "restore", "all.zip", "--to", "again")
    assert code == 0, err
    kept = next((tmp_path / "again").rglob("orders.json"))
    assert kept.read_bytes() == (tmp_path / "s" / "orders.json").read_bytes()
