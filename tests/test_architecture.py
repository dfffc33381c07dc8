"""The house's rules: imports point down, pure code is pure; and a planted breach of each rule is caught."""

from __future__ import annotations

import shutil
import subprocess
import sys
import tomllib
from pathlib import Path

import pytest
from purity import FORBIDDEN, impurities

REPOSITORY = Path(__file__).parents[1]
PURE = ("core", "watchers", "shelf", "physics")


def linted(folder: Path) -> subprocess.CompletedProcess[str]:
    """import-linter over the benchd in a folder, by the folder's own pyproject.toml."""
    script = "import sys; sys.argv = ['lint-imports', '--no-cache']; "
    script += "from importlinter.cli import lint_imports_command; lint_imports_command()"
    return subprocess.run([sys.executable, "-c", script], cwd=folder, capture_output=True, text=True, timeout=100)


def test_every_contract_is_kept() -> None:
    done = linted(REPOSITORY)
    contracts = tomllib.loads((REPOSITORY / "pyproject.toml").read_text())["tool"]["importlinter"]["contracts"]
    assert done.returncode == 0, done.stdout + done.stderr
    assert f"Contracts: {len(contracts)} kept, 0 broken." in done.stdout


# (file, line planted at its end, what the report says of it)
PLANTED = [
    ("errors.py", "import benchd.physics.humid_air", "benchd.errors -> benchd.physics.humid_air"),
    ("physics/humid_air.py", "from benchd.core import units", "benchd.physics.humid_air -> benchd.core.units"),
    ("core/units.py", "from benchd.shelf import amounts", "benchd.core.units -> benchd.shelf.amounts"),
    ("core/wording.py", "from benchd.runtime import clock", "benchd.core.wording -> benchd.runtime.clock"),
    ("shelf/amounts.py", "from benchd.watchers import air", "benchd.shelf.amounts -> benchd.watchers.air"),
    ("runtime/clock.py", "from benchd.settings import load", "benchd.runtime.clock -> benchd.settings"),
    ("sources/recording.py", "import benchd.outlets.console", "benchd.sources.recording -> benchd.outlets.console"),
    ("outlets/console.py", "import benchd.settings", "benchd.outlets.console -> benchd.settings"),
    ("settings/lines.py", "from benchd import plugins", "benchd.settings.lines -> benchd.plugins"),
    ("plugins.py", "from benchd import app", "benchd.plugins -> benchd.app"),
    ("app/__init__.py", "from benchd.commands import check", "benchd.app -> benchd.commands.check"),
    ("commands/check/__init__.py", "from benchd import cli", "benchd.commands.check -> benchd.cli"),
    ("rehearsal/__init__.py", "from benchd.physics import humid_air", "benchd.rehearsal -> benchd.physics.humid_air"),
    ("physics/slopes.py", "import benchd.rehearsal", "benchd.physics.slopes -> benchd.rehearsal"),
    ("watchers/fill.py", "from benchd.watchers import sensors", "benchd.watchers.fill -> benchd.watchers.sensors"),
    ("watchers/pot/__init__.py", "def f() -> None:\n    import time", "benchd.watchers.pot -> time"),
    ("core/engine.py", "import asyncio", "benchd.core.engine -> asyncio"),
    ("core/bench/__init__.py", "from datetime import datetime", "benchd.core.bench -> datetime"),
    ("core/model.py", "from benchd.core import findings", "benchd.core.model -> benchd.core.findings"),
    ("core/bench/__init__.py", "from benchd.core import findings", "benchd.core.bench -> benchd.core.findings"),
    ("core/seat/retell.py", "import benchd.core.casting.load", "benchd.core.seat.retell -> benchd.core.casting.load"),
    ("runtime/bulletin.py", "import benchd.runtime.health", "benchd.runtime.bulletin -> benchd.runtime.health"),
    ("runtime/journal/lock.py", "import benchd.runtime.watch", "benchd.runtime.journal.lock -> benchd.runtime.watch"),
    ("runtime/mqtt/pauses.py", "import benchd.runtime.journal", "benchd.runtime.mqtt.pauses -> benchd.runtime.journal"),
    ("core/spare.py", "", "- benchd.core.spare"),
    ("helpers.py", "", "- benchd.helpers"),  # a new part of the house must be given its layer
]  # fmt: skip


@pytest.fixture(scope="module")
def report(tmp_path_factory: pytest.TempPathFactory) -> str:
    """What import-linter says of a copy in which every planted line stands."""
    home = tmp_path_factory.mktemp("planted")
    shutil.copytree(REPOSITORY / "benchd", home / "benchd", ignore=shutil.ignore_patterns("__pycache__"))
    shutil.copy(REPOSITORY / "pyproject.toml", home)
    for file, line, _ in PLANTED:
        with (home / "benchd" / file).open("a") as out:
            out.write(f"\n{line}\n")
    done = linted(home)
    assert done.returncode == 1, done.stdout + done.stderr
    return done.stdout


@pytest.mark.parametrize(("file", "line", "says"), PLANTED)
def test_a_planted_breach_is_reported(report: str, file: str, line: str, says: str) -> None:
    assert says in report


MAY = {"core/state/codec.py": ("calls id()", "calls hash()")}
"""A checkpoint's writer tells objects apart within one pass; neither an id nor a hash goes into what it writes."""


def pure_files() -> list[Path]:
    return [path for folder in PURE for path in sorted((REPOSITORY / "benchd" / folder).rglob("*.py"))]


@pytest.mark.parametrize("path", pure_files(), ids=lambda p: str(p.relative_to(REPOSITORY / "benchd")))
def test_pure_code_is_pure(path: Path) -> None:
    may = MAY.get(str(path.relative_to(REPOSITORY / "benchd")), ())
    found = impurities(path.read_text(encoding="utf-8"))
    assert [what for what in found if not what.endswith(may or ("\0",))] == []


def test_both_lists_of_what_is_forbidden_agree() -> None:
    contracts = tomllib.loads((REPOSITORY / "pyproject.toml").read_text())["tool"]["importlinter"]["contracts"]
    listed = next(c["forbidden_modules"] for c in contracts if "time" in c.get("forbidden_modules", ()))
    assert set(listed) <= FORBIDDEN
    assert FORBIDDEN - set(listed) == {"importlib", "ctypes"}  # of those only the text tells what they are used for


IMPURE = [
    ("import time", "imports time"),
    ("from datetime import datetime", "imports datetime"),
    ("def f():\n    from os.path import join", "imports os.path"),
    ("from numpy.random import default_rng", "imports numpy.random"),
    ("from numpy import random", "imports numpy.random"),
    ("import numpy as np\nx = np.random.default_rng()", "uses numpy.random"),
    ("m = __import__('time')", "calls __import__()"),
    ("import importlib", "imports importlib"),
    ("open('x')", "calls open()"),
    ("key = hash('text')", "calls hash()"),
    ("for x in {1, 2}: pass", "iterates over the set {1, 2}"),
    ("for x in set(y): pass", "iterates over the set set(y)"),
    ("s = {a for a in b}\nout = [x for x in s]", "iterates over the set s"),
    ("s: set[str]\nout = list(s)", "iterates over the set s"),
    ("def f(seen: frozenset[str] | None): return tuple(seen)", "iterates over the set seen"),
    ("class A:\n    on: set[str]\n    def f(self):\n        for x in self.on: pass", "iterates over the set self.on"),
    ("class A:\n    def __init__(self): self.on = set()\n    def f(self): return ','.join(self.on)", "the set self.on"),
    ("for k in a.keys() - b.keys(): pass", "iterates over the set a.keys() - b.keys()"),
    ("for k in a.union(b): pass", "iterates over the set a.union(b)"),
    ("s = set()\nx = s.pop()", "iterates over the set s"),
    ("s = {1, 2}\na, b = s", "iterates over the set s"),
    ("s = {1, 2}\nout = [*s]", "iterates over the set s"),
    ("out = dict.fromkeys({1, 2})", "iterates over the set {1, 2}"),
]


@pytest.mark.parametrize(("source", "says"), IMPURE)
def test_an_impurity_is_found(source: str, says: str) -> None:
    found = impurities(source)
    assert len(found) == 1
    assert says in found[0]


@pytest.mark.parametrize(
    "source",
    [
        "from numpy import float64\nfrom benchd.core import units",
        "for x in sorted({2, 1}): pass",
        "s = {1}\nif 1 in s and len(s) == 1: s.add(2)",
        "s: set[int]\nbest = max(s)",
        "for k in {'a': 1}: pass",
        "d = {}\nx = d.pop('k')\nstack = [1]\ny = stack.pop()",
        "a, b = 1, 2\nfor x in a | b: pass",
        "self.timeout = 1",
    ],
)
def test_what_is_pure_is_left_alone(source: str) -> None:
    assert impurities(source) == []
