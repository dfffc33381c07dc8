"""Plug-ins are found by file name, loaded only when configured, and told apart from files that break the contract."""

from __future__ import annotations

import subprocess
import sys
from dataclasses import replace
from pathlib import Path
from typing import Any

import pytest
from of_kind import as_kind
from pydantic import BaseModel

from benchd.core.bench import Bench, Cup, Pot
from benchd.errors import PluginError
from benchd.plugins import PLUGINS, Plugins, load_settings, make_of, watcher_plan
from benchd.settings.plug_ins import Folder
from benchd.sources.serial_lines import Settings as SerialSettings

CONFIG = Path(__file__).parents[1] / "config"
REPOSITORY = Path(__file__).parents[1]

POT = Pot(
    id="barrel", name="Barrel", volume_l=16.5, free_l=13.0, marked_kpa=413.7, relief_kpa=379.2, target_kpa=289.6,
    floor_kpa=241.3, limit_kpa=372.3,
)  # fmt: skip
BENCH = Bench(id="north", shop="quiet-harbour", name="North", cups=(Cup(id="cup-1", name="one"),), pots=(POT,))

WATCHER = '''"""Is it {name}?"""
from pydantic import BaseModel, ConfigDict
from benchd.core.seat.watcher import Place, Reads
from benchd.core.findings import Kicked
SCOPE = "{scope}"
ORDER = {order}
READS = Reads(ticks=True)
EMITS = (Kicked,)
class Settings(BaseModel):
    model_config = ConfigDict(frozen=True, extra="forbid")
    wait_s: float = 1.0
class Watch:
    def __init__(self, settings, place): self.settings, self.place = settings, place
    def see(self, event): return []
def make(settings, place):
    return Watch(settings, place)
'''


class Package:
    """A package laid out like benchd, with plug-ins of the test's own."""

    def __init__(self, home: Path, name: str) -> None:
        self.folder = home / name
        for sub in ("sources", "outlets", "watchers"):
            (self.folder / sub).mkdir(parents=True)
            (self.folder / sub / "__init__.py").write_text("")
        (self.folder / "__init__.py").write_text("")
        self.plugins = Plugins(name)

    def watcher(self, name: str, scope: str = "bench", order: int = 10, old: str = "", new: str = "") -> None:
        text = WATCHER.format(name=name, scope=scope, order=order)
        assert old in text
        (self.folder / "watchers" / f"{name}.py").write_text(text.replace(old, new) if old else text)


@pytest.fixture
def package(tmp_path: Path, monkeypatch: pytest.MonkeyPatch, request: pytest.FixtureRequest) -> Package:
    monkeypatch.syspath_prepend(tmp_path)
    return Package(tmp_path, "pkg_" + "".join(c if c.isalnum() else "_" for c in request.node.name).lower())


def test_kinds_are_the_file_names_and_nothing_is_loaded(package: Package) -> None:
    package.watcher("one")
    package.watcher("_helper")
    (package.folder / "sources" / "explodes.py").write_text("raise RuntimeError('loaded')")
    assert package.plugins.kinds("watchers") == ("one",)
    assert package.plugins.kinds("sources") == ("explodes",)


def test_a_kind_that_does_not_exist_is_told_with_the_nearest(package: Package) -> None:
    package.watcher("humidity")
    with pytest.raises(PluginError, match=r'no watcher of kind "humidty".*did you mean "humidity"'):
        package.plugins.module_of("watchers", "humidty")
    with pytest.raises(PluginError, match="is empty"):
        package.plugins.module_of("outlets", "bell")


BREACHES = [
    ('"""Is it bad?"""', "", "docstring"),
    ("def make(", "def made(", "make"),
    ("class Settings(BaseModel)", "Settings = 1\nclass Options(BaseModel)", "Settings"),
    ("SCOPE =", "import no_such_library\nSCOPE =", "import"),
    ("frozen=True, ", "", "Settings.frozen"),
    (', extra="forbid"', "", "Settings.extra"),
    ("wait_s: float = 1.0", "wait_s: float", "Settings.wait_s"),
    ("wait_s: float = 1.0", 'kind: str = "bad"', "Settings.kind"),
    ('SCOPE = "bench"', 'SCOPE = "shop"', "SCOPE"),
    ("ORDER = 10", "ORDER = True", "ORDER"),
    ("READS = Reads(ticks=True)", "READS = ()", "READS"),
    ("EMITS = (Kicked,)", "EMITS = Kicked", "EMITS"),
]


@pytest.mark.parametrize(("old", "new", "key"), BREACHES)
def test_each_breach_of_the_contract_is_told(package: Package, old: str, new: str, key: str) -> None:
    package.watcher("bad", old=old, new=new)
    with pytest.raises(PluginError) as caught:
        package.plugins.module_of("watchers", "bad")
    assert key in [c.key for c in caught.value.complaints]
    assert all(c.file == "benchd/watchers/bad.py" and c.remedy for c in caught.value.complaints)


def test_watchers_step_by_order_then_name_and_stand_in_each_cup_and_pot(package: Package) -> None:
    package.watcher("zeta", "bench", 0)
    package.watcher("kick", "cup", 20)
    package.watcher("alpha", "pot", 20)
    bench = replace(BENCH, cups=(*BENCH.cups, Cup(id="cup-2", name="two")), tune={"kick": {"wait_s": 9.0}})
    plan = package.plugins.watcher_plan(bench)
    assert [p.key for p in plan] == [("zeta", "north"), ("alpha", "barrel"), ("kick", "cup-1"), ("kick", "cup-2")]
    tuned = [as_kind(BaseModel, p.settings).model_dump() for p in plan]
    assert [each["wait_s"] for each in tuned] == [1.0, 1.0, 9.0, 9.0]
    made: Any = plan[3].make()  # of the text above
    assert (made.settings, made.place.cup) == (plan[3].settings, bench.cups[1])
    assert plan[3].make() is not made
    assert plan[1].place.pot == POT


def test_an_override_that_does_not_fit_this_version_is_told(package: Package) -> None:
    package.watcher("kick", "cup")
    with pytest.raises(PluginError, match=r"context: tune\.kick\.wait_sec"):
        package.plugins.watcher_plan(replace(BENCH, tune={"kick": {"wait_sec": 9.0}}))


@pytest.mark.parametrize("folder", ["sources", "outlets", "watchers"])
def test_every_plug_in_there_is_keeps_the_contract(folder: Folder) -> None:
    kinds = PLUGINS.kinds(folder)
    assert kinds
    for kind in kinds:
        assert PLUGINS.module_of(folder, kind).Settings is PLUGINS.settings_of(folder, kind)


def test_the_studios_config_fits_this_installation() -> None:
    loaded = load_settings(CONFIG / "bench.toml")
    assert loaded.warnings == ()
    assert as_kind(SerialSettings, loaded.sources["board"]).kind == "serial_lines"
    assert callable(make_of("sources", "serial_lines"))
    plan = watcher_plan(loaded.bench)
    assert [p.order for p in plan] == sorted(p.order for p in plan)
    assert [p.make() for p in plan]


def test_only_configured_kinds_are_loaded(tmp_path: Path) -> None:
    """A bench with one serial board loads neither the broker's client nor its outlet."""
    script = (
        "import sys, pathlib; from benchd.plugins import load_settings, watcher_plan;"
        "text = pathlib.Path('config/bench.toml').read_text().split('[mqtt]')[0];"
        f"home = pathlib.Path({str(tmp_path)!r}); (home / 'bench.toml').write_text(text);"
        "bench = load_settings(home / 'bench.toml', None, pathlib.Path('config/resins').absolute()).bench;"
        "watcher_plan(bench);"
        "unasked = ('paho', 'benchd.outlets.', 'benchd.sources.recording');"
        "print([m for m in sys.modules if m.startswith(unasked)])"
    )
    done = subprocess.run([sys.executable, "-c", script], cwd=REPOSITORY, capture_output=True, text=True, timeout=60)
    assert done.stdout.strip() == "[]", done.stderr
