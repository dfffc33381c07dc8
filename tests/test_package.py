"""Does benchd run from its wheel alone, and are wheel and source archive what an index takes and a user needs?

The wheel is put into a folder of its own; what benchd depends on comes from the tests' environment, since no test may
ask a network.  In fresh environments of 3.11, 3.12 and 3.13 it is installed by hand before a release.
"""

from __future__ import annotations

import json
import os
import re
import subprocess
import sys
import tarfile
import tomllib
import urllib.request
import zipfile
from pathlib import Path

import pytest
from daemon import wait_for
from mosquitto import free_port

from benchd import __version__
from benchd.commands.init import service

ROOT = Path(__file__).parents[1]
PROJECT = tomllib.loads((ROOT / "pyproject.toml").read_text("utf-8"))["project"]
MACHINE_PATH = re.compile(r"/(?:work|tmp|root|home)/\w")
WHEEL_MOST_BYTES = 2_000_000


def test_each_declared_python_is_a_classifier_and_the_readme_names_this_wheel() -> None:
    declared = {c.rsplit(" ", 1)[1] for c in PROJECT["classifiers"] if re.search(r":: 3\.\d+$", c)}
    assert declared == {"3.11", "3.12", "3.13"}
    assert (ROOT / "benchd" / "py.typed").exists()
    assert f"./benchd-{__version__}-py3-none-any.whl" in (ROOT / "README.md").read_text("utf-8")


def test_every_dependency_has_its_reason_beside_it() -> None:
    text = (ROOT / "pyproject.toml").read_text("utf-8").partition("dependencies = [")[2].partition("\ntest = [")[0]
    rows = re.findall(r'^    "[\w-]+[>=].*$', text, re.MULTILINE)
    assert len(rows) > 12
    assert [row for row in rows if not re.search(r"#\s+\S.{20,}", row)] == []


def test_a_service_is_told_to_install_what_this_benchd_came_from(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """A clone, a wheel file (PEP 610's direct_url.json), or an index."""

    class Installed:
        told: str | None = None

        def read_text(self, name: str) -> str | None:
            assert name == "direct_url.json"
            return self.told

    installed = Installed()
    assert service._what_to_install() == str(ROOT)
    monkeypatch.setattr("benchd.__file__", str(tmp_path / "site-packages" / "benchd" / "__init__.py"))
    monkeypatch.setattr("importlib.metadata.distribution", lambda name: installed)
    assert service._what_to_install() == f"benchd=={__version__}"
    installed.told = json.dumps({"url": "file:///srv/our%20wheels/benchd-1.whl", "archive_info": {}})
    assert service._what_to_install() == "'/srv/our wheels/benchd-1.whl'"
    installed.told = json.dumps({"url": "https://example.org/benchd-1.whl", "archive_info": {}})
    assert service._what_to_install() == f"benchd=={__version__}"


@pytest.fixture(scope="module")
def built(tmp_path_factory: pytest.TempPathFactory) -> tuple[Path, Path]:
    """(wheel, source archive), as a release makes them: the wheel out of the archive."""
    pytest.importorskip("hatchling", reason="hatchling is not installed: pip install -e '.[test]'")
    out = tmp_path_factory.mktemp("dist")
    command = [sys.executable, "-m", "build", "--no-isolation", "--outdir", str(out), str(ROOT)]
    done = subprocess.run(command, capture_output=True, text=True, timeout=110, check=False)
    assert done.returncode == 0, done.stdout + done.stderr
    (wheel,), (archive,) = out.glob("*.whl"), out.glob("*.tar.gz")
    return wheel, archive


@pytest.mark.wide
def test_an_index_would_take_both(built: tuple[Path, Path]) -> None:
    """twine: metadata and the README as a page."""
    command = [sys.executable, "-m", "twine", "check", "--strict", *map(str, built)]
    done = subprocess.run(command, capture_output=True, text=True, timeout=60, check=False)
    assert done.returncode == 0, done.stdout + done.stderr
    assert done.stdout.count("PASSED") == 2


@pytest.mark.wide
def test_they_hold_what_they_should_and_no_path_of_this_machine(built: tuple[Path, Path]) -> None:
    wheel, archive = built
    assert wheel.name == f"benchd-{__version__}-py3-none-any.whl"
    assert wheel.stat().st_size < WHEEL_MOST_BYTES
    with zipfile.ZipFile(wheel) as file:
        names = set(file.namelist())
        (metadata,) = (file.read(name).decode() for name in names if name.endswith("/METADATA"))
    assert names >= {"benchd/py.typed", "benchd/page/static/index.html", "benchd/example_config/README.md"}
    assert {name.partition("/")[0] for name in names} == {"benchd", f"benchd-{__version__}.dist-info"}
    assert not MACHINE_PATH.search(metadata)
    with tarfile.open(archive) as file:
        inner = {name.partition("/")[2] for name in file.getnames()}
    assert inner >= {"README.md", "config/bench.toml", "firmware_examples/micropython/main.py", "tests/test_package.py"}
    assert [name for name in inner if re.search(r"(^|/)(\.venv|\.stubs|__pycache__|build)(/|$)", name)] == []


@pytest.mark.wide
def test_it_runs_from_the_wheel_alone(built: tuple[Path, Path], tmp_path: Path) -> None:
    """From an empty folder: begin a bench, judge it, watch it, read it."""
    place, home = tmp_path / "site", tmp_path / "home"
    home.mkdir()
    install = [sys.executable, "-m", "pip", "install", "-q", "--no-deps", "--no-index", "--target", str(place)]
    subprocess.run([*install, str(built[0])], check=True, timeout=60)
    more = {"PYTHONPATH": str(place), "HOME": str(home), "RUNTIME_DIRECTORY": str(home / "run"), "NO_COLOR": "1"}
    environment = os.environ | more

    def ran(*words: str) -> str:
        done = subprocess.run(
            words, cwd=home, env=environment, capture_output=True, text=True, timeout=60, check=False
        )  # fmt: skip
        assert done.returncode == 0, done.stdout + done.stderr
        return done.stdout

    program = [sys.executable, "-m", "benchd"]
    where = ran(sys.executable, "-c", "import benchd; print(benchd.__file__)")
    assert where.startswith(str(place))
    assert ran(*program, "--version").strip().endswith(__version__)
    ran(*program, "init", "--simulate", "trial")
    assert "Watched" in ran(*program, "check", "-c", "trial/bench.toml", "--files-only")
    port = free_port()
    with (home / "trial" / "bench.toml").open("a") as file:
        file.write(f'\n[page]\nlisten = "127.0.0.1:{port}"\n')
    with (home / "log").open("w") as log:
        watching = subprocess.Popen([*program, "run", "-c", "trial/bench.toml"], cwd=home, env=environment, stderr=log)
    try:
        page = wait_for(lambda: _got(f"http://127.0.0.1:{port}/"))
        assert b"Sound on" in page
        state = wait_for(lambda: json.loads(_got(f"http://127.0.0.1:{port}/api/v0/state") or b"{}").get("readings"))
        assert {reading["role"] for reading in state} >= {"cup_temperature", "pot_pressure"}
        assert b"benchd_temperature_celsius" in (_got(f"http://127.0.0.1:{port}/metrics") or b"")
    finally:
        watching.terminate()
        watching.wait(20)
    assert "Traceback" not in (home / "log").read_text()


def _got(address: str) -> bytes | None:
    try:
        return bytes(urllib.request.urlopen(address, timeout=5).read())
    except OSError:
        return None
