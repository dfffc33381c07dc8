"""What must pure code not do?  Finds imports of clocks, chance and the outside, and iteration over sets, in a text.

import-linter sees imports between modules; this sees besides: parts of a package (numpy.random), imports by name at
run time, reads of a clock through an allowed module, and loops whose order differs from one run to the next.
"""

from __future__ import annotations

import ast
from collections.abc import Iterator

FORBIDDEN = frozenset((
    "time", "datetime", "zoneinfo", "asyncio", "threading", "random", "uuid", "secrets", "os", "pathlib", "io",
    "socket", "sqlite3", "logging", "subprocess", "tempfile", "concurrent", "multiprocessing", "signal", "select",
    "importlib", "ctypes", "paho", "serial", "aiosqlite", "starlette", "uvicorn",
))  # fmt: skip
BUILTINS = frozenset(("open", "input", "print", "__import__", "eval", "exec", "hash", "id", "breakpoint"))
"""Built in, yet the outside, or different from one run to the next (hash of a text, id of an object)."""

SET_TYPES = frozenset(("set", "frozenset", "Set", "AbstractSet", "MutableSet", "FrozenSet"))
SET_METHODS = frozenset(("union", "intersection", "difference", "symmetric_difference"))
ORDER_KEPT = frozenset(
    ("list", "tuple", "iter", "enumerate", "zip", "map", "filter", "reversed", "dict", "deque", "next")
)
"""Calls whose result has the order of what they are given; sorted, len, min, max, any, all and sum of counts don't."""


def impurities(source: str) -> list[str]:
    """Every breach in one file's text, as "line 12: imports time"."""
    tree = ast.parse(source)
    found = [*_imports(tree), *_outside(tree), *_SetLoops(tree).found()]
    return [f"line {line}: {what}" for line, what in sorted(found)]


Breach = tuple[int, str]


def _imports(tree: ast.AST) -> Iterator[Breach]:
    for node in ast.walk(tree):
        names: list[str] = []
        if isinstance(node, ast.Import):
            names = [alias.name for alias in node.names]
        elif isinstance(node, ast.ImportFrom) and node.module:
            names = [node.module, *(f"{node.module}.{alias.name}" for alias in node.names)]
        for name in names:
            if name.split(".")[0] in FORBIDDEN or name.startswith("numpy.random"):
                yield getattr(node, "lineno", 0), f"imports {name}"
                break


def _outside(tree: ast.AST) -> Iterator[Breach]:
    for node in ast.walk(tree):
        if isinstance(node, ast.Call) and isinstance(node.func, ast.Name) and node.func.id in BUILTINS:
            yield node.lineno, f"calls {node.func.id}()"
        if isinstance(node, ast.Attribute) and node.attr == "random" and _name(node.value) in ("np", "numpy"):
            yield node.lineno, "uses numpy.random"


def _name(node: ast.AST | None) -> str:
    """`x` or `self.x` as text; "" for anything else."""
    if isinstance(node, ast.Name):
        return node.id
    if isinstance(node, ast.Attribute) and isinstance(node.value, ast.Name):
        return f"{node.value.id}.{node.attr}"
    return ""


class _SetLoops:
    """Iteration over what is a set by its form, its annotation or the value once given to its name."""

    def __init__(self, tree: ast.AST) -> None:
        self._tree = tree
        self._sets = frozenset(self._named_sets())

    def _named_sets(self) -> Iterator[str]:
        self._sets = frozenset[str]()
        for node in ast.walk(self._tree):
            if isinstance(node, ast.AnnAssign) and self._is_set_type(node.annotation):
                yield from self._both(_name(node.target))
            elif isinstance(node, ast.arg) and node.annotation is not None and self._is_set_type(node.annotation):
                yield node.arg
            elif isinstance(node, ast.Assign) and self._is_set(node.value):
                for target in node.targets:
                    yield from self._both(_name(target))

    @staticmethod
    def _both(name: str) -> Iterator[str]:
        """A dataclass's field is also `self.` its name."""
        if name:
            yield name
            if "." not in name:
                yield f"self.{name}"

    @staticmethod
    def _is_set_type(annotation: ast.AST) -> bool:
        plain = annotation.value if isinstance(annotation, ast.Subscript) else annotation
        if isinstance(plain, ast.BinOp):  # set[str] | None
            return _SetLoops._is_set_type(plain.left) or _SetLoops._is_set_type(plain.right)
        return _name(plain).split(".")[-1] in SET_TYPES

    def _is_set(self, node: ast.AST | None) -> bool:
        match node:
            case ast.Set() | ast.SetComp():
                return True
            case ast.Call(func=ast.Name(id=name)):
                return name in ("set", "frozenset")
            case ast.Call(func=ast.Attribute(attr=name)):
                return name in SET_METHODS
            case ast.BinOp(op=ast.BitOr() | ast.BitAnd() | ast.Sub() | ast.BitXor()):
                return any(self._is_set(side) or self._is_keys(side) for side in (node.left, node.right))
            case ast.IfExp():
                return self._is_set(node.body) or self._is_set(node.orelse)
            case ast.Name() | ast.Attribute():
                return _name(node) in self._sets
        return False

    @staticmethod
    def _is_keys(node: ast.AST) -> bool:
        return (
            isinstance(node, ast.Call) and isinstance(node.func, ast.Attribute) and node.func.attr in ("keys", "items")
        )

    def found(self) -> Iterator[Breach]:
        for node in ast.walk(self._tree):
            for iterated in self._iterated(node):
                if self._is_set(iterated):
                    yield iterated.lineno, f"iterates over the set {ast.unparse(iterated)}"

    @staticmethod
    def _iterated(node: ast.AST) -> list[ast.expr]:
        """What a piece of code goes through in order."""
        match node:
            case ast.For() | ast.comprehension() | ast.AsyncFor():
                return [node.iter]
            case ast.Starred() | ast.YieldFrom():
                return [node.value]
            case ast.Assign(targets=[ast.Tuple() | ast.List()]):
                return [node.value]
            case ast.Call(func=ast.Name(id=name)) if name in ORDER_KEPT:
                return list(node.args)
            case ast.Call(func=ast.Attribute(attr="join" | "extend" | "fromkeys")):
                return list(node.args)
            case ast.Call(func=ast.Attribute(attr="pop", value=taken_from), args=[]):
                return [taken_from]
        return []
