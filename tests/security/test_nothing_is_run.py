"""Nothing that comes from outside is run: no call or import in the product can turn data into code."""

from __future__ import annotations

import ast
from collections.abc import Iterator
from pathlib import Path

import pytest

import benchd

ROOT = Path(benchd.__file__).parent
MODULES = ("pickle", "cPickle", "_pickle", "marshal", "shelve", "dill", "cloudpickle", "jsonpickle", "copyreg")
BUILTINS = ("eval", "exec", "compile", "__import__")
YAML_LOADERS = ("load", "load_all", "unsafe_load", "unsafe_load_all", "full_load", "full_load_all")
FILES = sorted(ROOT.rglob("*.py"))


def breaches(source: str) -> Iterator[str]:
    """What in a source could run what it reads."""
    for node in ast.walk(ast.parse(source)):
        match node:
            case ast.Import(names=names):
                yield from (f"import {n.name}" for n in names if n.name.split(".")[0] in MODULES)
            case ast.ImportFrom(module=str(module)) if module.split(".")[0] in MODULES:
                yield f"from {module} import"
            case ast.ImportFrom(module="builtins" | "yaml" | "numpy" as module, names=names):
                named = {"builtins": BUILTINS, "yaml": YAML_LOADERS, "numpy": ("load",)}[module]
                yield from (f"from {module} import {n.name}" for n in names if n.name in named)
            case ast.Call(func=ast.Name(id=name)) if name in BUILTINS:
                yield f"{name}()"
            case ast.Call(func=ast.Attribute(value=ast.Name(id="builtins"), attr=name)) if name in BUILTINS:
                yield f"builtins.{name}()"
            case ast.Call(func=ast.Attribute(value=ast.Name(id="yaml"), attr=name)) if name in YAML_LOADERS:
                yield "yaml.load()"
            case ast.Call(func=ast.Attribute(value=ast.Name(id="np" | "numpy"), attr="load"), keywords=keywords):
                if any(k.arg == "allow_pickle" and getattr(k.value, "value", True) for k in keywords):
                    yield "numpy.load(allow_pickle)"


@pytest.mark.parametrize(
    "source",
    [
        "import pickle", "import numpy, marshal as m", "from shelve import open", "import dill.source", "eval('1')",
        "exec(text)", "compile(a, b, 'exec')", "import builtins\nbuiltins.eval(x)", "yaml.load(x)",
        "np.load(f, allow_pickle=True)", "numpy.load(f, allow_pickle=flag)", "from _pickle import loads",
        "from builtins import exec as run", "from yaml import full_load", "from numpy import load", "yaml.load_all(x)",
    ],
)  # fmt: skip
def test_each_way_to_run_data_is_seen(source: str) -> None:
    """The walk below would notice it."""
    assert list(breaches(source))


@pytest.mark.parametrize(
    "source",
    ["re.compile('a')", "np.load(f)", "np.load(f, allow_pickle=False)", "model.eval()", "from numpy import array"],
)
def test_what_runs_nothing_passes(source: str) -> None:
    assert list(breaches(source)) == []


def test_nothing_in_the_product_runs_what_it_reads() -> None:
    """No unpickling, no evaluation, in any file of the product."""
    assert len(FILES) > 300
    found = {str(f.relative_to(ROOT)): list(breaches(f.read_text("utf-8"))) for f in FILES}
    assert {name: what for name, what in found.items() if what} == {}
