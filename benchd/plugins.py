"""Finds the sources, outlets and watchers, and checks that their files keep the contract.

A plug-in is one file: its name is the kind that a config names.  Kinds are found by listing the folders; a file is
imported only when it is configured (watchers always: all of them watch): a bench without a broker never loads an MQTT
client.
"""

from __future__ import annotations

import importlib
import pkgutil
from collections.abc import Sequence
from functools import partial
from pathlib import Path
from types import ModuleType
from typing import Any

from pydantic import BaseModel, ValidationError

from benchd.core.bench import Bench
from benchd.core.findings import Finding
from benchd.core.model import Subject
from benchd.core.seat.watcher import Place, Reads, Watcher, WatcherPlan
from benchd.errors import Complaint, PluginError, did_you_mean
from benchd.settings import Loaded, load
from benchd.settings.plug_ins import Folder

SCOPES = ("bench", "cup", "pot")


class Plugins:
    """The plug-ins of one installation: `benchd` itself, or a package laid out like it."""

    def __init__(self, package: str = "benchd") -> None:
        self._package = package
        self._checked: dict[tuple[Folder, str], ModuleType] = {}
        self._kinds: dict[Folder, tuple[str, ...]] = {}

    def kinds(self, folder: Folder) -> tuple[str, ...]:
        """The kinds in a folder, by file name; nothing is loaded.  A name that begins with _ is not a kind."""
        if folder not in self._kinds:  # listed once: a context that arrives during the watch reads no disk
            package = importlib.import_module(f"{self._package}.{folder}")
            found = sorted(m.name for m in pkgutil.iter_modules(package.__path__))
            self._kinds[folder] = tuple(name for name in found if not name.startswith("_"))
        return self._kinds[folder]

    def module_of(self, folder: Folder, kind: str) -> ModuleType:
        """The file of a kind, imported and checked.  Raises PluginError when it is missing or breaks the contract."""
        if kind not in self.kinds(folder):
            remedy = did_you_mean(kind, self.kinds(folder)) or f"benchd/{folder}/ is empty"
            raise PluginError(Complaint(f"benchd/{folder}/", kind, f'no {folder[:-1]} of kind "{kind}"', remedy))
        if (folder, kind) not in self._checked:
            self._checked[folder, kind] = self._loaded(folder, kind)
        return self._checked[folder, kind]

    def _loaded(self, folder: Folder, kind: str) -> ModuleType:
        name = f"benchd/{folder}/{kind}.py"
        try:
            module = importlib.import_module(f"{self._package}.{folder}.{kind}")
        except ImportError as error:
            remedy = f"install {error.name}" if error.name else "look at what it imports"
            raise PluginError(Complaint(name, "import", str(error), remedy)) from error
        wrong = breaches(folder, kind, module)
        if wrong:
            raise PluginError([Complaint(name, key, problem, remedy) for key, problem, remedy in wrong])
        return module

    def settings_of(self, folder: Folder, kind: str) -> type[BaseModel]:
        """The Settings model of a kind.  Raises PluginError."""
        model: type[BaseModel] = self.module_of(folder, kind).Settings
        return model

    def watcher_modules(self) -> tuple[ModuleType, ...]:
        """All watchers in stepping order: by ORDER, then by name."""
        modules = [self.module_of("watchers", kind) for kind in self.kinds("watchers")]
        return tuple(sorted(modules, key=lambda m: (m.ORDER, _kind(m))))

    def watcher_plan(self, bench: Bench) -> list[WatcherPlan]:
        """One plan for each watcher in each of its places, in stepping order, with the bench's [tune] applied.

        Raises PluginError when an override does not fit (a context written by another version).
        """
        return [
            _plan(module, _tuned(module, bench), place)
            for module in self.watcher_modules()
            for place in _places(module.SCOPE, bench)
        ]


def _kind(module: ModuleType) -> str:
    return module.__name__.rpartition(".")[2]


def _places(scope: str, bench: Bench) -> list[Place]:
    if scope == "cup":
        return [Place(bench, Subject(bench=bench.id, cup=cup.id), cup=cup) for cup in bench.cups]
    if scope == "pot":
        return [Place(bench, Subject(bench=bench.id, pot=pot.id), pot=pot) for pot in bench.pots]
    return [Place(bench, Subject(bench=bench.id))]


def _tuned(module: ModuleType, bench: Bench) -> BaseModel:
    kind = _kind(module)
    try:
        settings: BaseModel = module.Settings(**bench.tune.get(kind, {}))
    except ValidationError as error:
        first = error.errors(include_url=False)[0]
        key = ".".join(["tune", kind, *map(str, first["loc"])])
        raise PluginError(Complaint("context", key, first["msg"], "give this version's config with -c")) from error
    return settings


def _plan(module: ModuleType, settings: BaseModel, place: Place) -> WatcherPlan:
    make: partial[Watcher] = partial(module.make, settings, place)
    return WatcherPlan(_kind(module), module.ORDER, module.SCOPE, module.READS, place, settings, make)


# ------------------------------------------------------------------------------------------------------- the contract

Breach = tuple[str, str, str]  # (key, problem, remedy)


def breaches(folder: Folder, kind: str, module: ModuleType) -> list[Breach]:
    """The points in which a plug-in file breaks its folder's contract (core/seat/watcher.py, runtime/contracts.py)."""
    found: list[Breach] = []
    if not (module.__doc__ or "").strip():
        found.append(("docstring", "is missing", "let its first line state what the file watches for or does"))
    if not callable(getattr(module, "make", None)):
        found.append(("make", "is missing", "write def make(settings, ...)"))
    found += _settings_breaches(kind, module)
    if folder == "watchers":
        found += _watcher_breaches(module)
    return found


def _settings_breaches(kind: str, module: ModuleType) -> list[Breach]:
    model = getattr(module, "Settings", None)
    if not (isinstance(model, type) and issubclass(model, BaseModel)):
        return [("Settings", "is missing", "write class Settings(BaseModel)")]
    found: list[Breach] = []
    for key, wanted in (("frozen", True), ("extra", "forbid")):
        if model.model_config.get(key) != wanted:
            found.append((f"Settings.{key}", "is not set", 'model_config = ConfigDict(frozen=True, extra="forbid")'))
    named = model.model_fields.get("kind")
    if named is not None and getattr(named.annotation, "__args__", None) != (kind,):
        found.append(("Settings.kind", "is not the file's name", f'write kind: Literal["{kind}"]'))
    return found


def _watcher_breaches(module: ModuleType) -> list[Breach]:
    emits = getattr(module, "EMITS", None)
    are_findings = isinstance(emits, tuple) and all(isinstance(e, type) and issubclass(e, Finding) for e in emits)
    tests: list[tuple[str, bool, str]] = [
        ("SCOPE", getattr(module, "SCOPE", None) in SCOPES, f"write one of {', '.join(SCOPES)}"),
        ("ORDER", type(getattr(module, "ORDER", None)) is int, "write a whole number"),
        ("READS", isinstance(getattr(module, "READS", None), Reads), "write Reads(...)"),
        ("EMITS", are_findings, "write a tuple of Finding classes"),
    ]
    found = [(key, "is missing or of another type", remedy) for key, is_right, remedy in tests if not is_right]
    model = getattr(module, "Settings", None)
    if isinstance(model, type) and issubclass(model, BaseModel):
        needed = [name for name, field in model.model_fields.items() if field.is_required()]
        found += [
            (f"Settings.{name}", "has no default", "a watcher watches without being configured") for name in needed
        ]
    return found


# ------------------------------------------------------------------------------------------------- this installation

PLUGINS = Plugins()


def watcher_plan(bench: Bench) -> Sequence[WatcherPlan]:
    """`Plugins.watcher_plan` of this installation, with which the engine is made."""
    return PLUGINS.watcher_plan(bench)


def load_settings(path_bench: Path, path_shelf: Path | None = None, resins_dir: Path | None = None) -> Loaded:
    """A checked configuration with this installation's plug-ins.  Raises SettingsError with every complaint."""
    return load(path_bench, path_shelf, resins_dir, catalogue=PLUGINS)


def make_of(folder: Folder, kind: str) -> Any:
    """The `make` of a source or outlet.  Raises PluginError."""
    return PLUGINS.module_of(folder, kind).make
