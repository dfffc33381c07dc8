"""The command line: which command, which exit code, and how long the version takes."""

from __future__ import annotations

import ast
import importlib
import os
import subprocess
import sys
from pathlib import Path
from types import ModuleType

import pytest

from benchd import __version__, cli
from benchd.errors import BenchdError, Complaint, MarkRejected, RecordingError, SettingsError

REPOSITORY = Path(__file__).parents[1]
COMMANDS = cli.command_names()


def benchd(*arguments: str, **more: str) -> subprocess.CompletedProcess[str]:
    command = [sys.executable, "-m", "benchd", *arguments]
    environment = {**os.environ, **more}
    return subprocess.run(command, capture_output=True, text=True, cwd=REPOSITORY, timeout=60, env=environment)


def test_the_version_is_printed_and_nothing_else_happens(tmp_path: Path) -> None:
    done = subprocess.run(
        [sys.executable, "-m", "benchd", "--version"], capture_output=True, text=True, cwd=tmp_path, timeout=30,
        env={**os.environ, "HOME": str(tmp_path), "PYTHONDONTWRITEBYTECODE": "1"},
    )  # fmt: skip
    assert (done.returncode, done.stdout, done.stderr) == (0, f"benchd {__version__}\n", "")
    assert list(tmp_path.iterdir()) == []


def test_the_version_loads_no_command_and_no_library() -> None:
    """A tenth of a second is the aim; what is loaded for it does not depend on the machine's mood."""
    script = (
        "import sys; before = set(sys.modules); from benchd.cli import main; main(['--version']);"
        "print(sorted({m.split('.')[0] for m in set(sys.modules) - before} - set(sys.stdlib_module_names)));"
        "print([m for m in sys.modules if m.startswith('benchd.commands')])"
    )
    done = subprocess.run([sys.executable, "-c", script], capture_output=True, text=True, cwd=REPOSITORY, timeout=30)
    assert done.stdout.splitlines()[1:] == ["['benchd']", "[]"], done.stderr


def test_the_overview_loads_no_command_and_no_library() -> None:
    """Within 0.3 s of Python's own start is the aim (tests/benchmarks measures it); this holds on any machine."""
    script = (
        "import sys; before = set(sys.modules); from benchd.cli import main\n"
        "try: main(['--help'])\n"
        "except SystemExit: pass\n"
        "print(sorted({m.split('.')[0] for m in set(sys.modules) - before} - set(sys.stdlib_module_names)));"
        "print([m for m in sys.modules if m.startswith('benchd.commands.')])"
    )
    done = subprocess.run([sys.executable, "-c", script], capture_output=True, text=True, cwd=REPOSITORY, timeout=30)
    assert done.stdout.splitlines()[-2:] == ["['benchd']", "[]"], done.stderr


def test_one_command_loads_only_its_own_file() -> None:
    script = (
        "import sys; from benchd.cli import main\n"
        "try: main(['schema', '--help'])\n"
        "except SystemExit: pass\n"
        "print(sorted(m for m in sys.modules if m.startswith('benchd.commands.')))"
    )
    done = subprocess.run([sys.executable, "-c", script], capture_output=True, text=True, cwd=REPOSITORY, timeout=30)
    loaded = ast.literal_eval(done.stdout.splitlines()[-1])
    assert loaded, done.stderr
    assert all(name.startswith("benchd.commands.schema") for name in loaded)


def test_help_names_every_command_with_its_line() -> None:
    done = benchd("--help")
    assert done.returncode == 0
    assert sorted(name for names in cli.GROUPS.values() for name in names) == COMMANDS
    words = " ".join(done.stdout.split())
    assert all(f"{title}:" in done.stdout for title in cli.GROUPS)
    for name in COMMANDS:
        module = importlib.import_module(f"benchd.commands.{name}")
        assert module is not None
        assert f" {name} {module.HELP}" in words
        assert cli.help_of(name) == module.HELP


@pytest.mark.parametrize("name", COMMANDS)
def test_each_command_has_help_with_an_example(name: str, capsys: pytest.CaptureFixture[str]) -> None:
    with pytest.raises(SystemExit) as caught:
        cli.main([name, "--help"])
    assert caught.value.code == 0
    words = " ".join(capsys.readouterr().out.split())
    assert f"example: benchd {name}" in words


@pytest.mark.parametrize("arguments", [[], ["--no-such"], ["check", "--no-such"], ["replay"], ["schema", "everything"]])
def test_wrong_usage_is_two(arguments: list[str], capsys: pytest.CaptureFixture[str]) -> None:
    with pytest.raises(SystemExit) as caught:
        cli.main(arguments)
    assert caught.value.code == 2
    assert "usage: benchd" in capsys.readouterr().err


def test_an_unknown_command_is_told_with_the_nearest(capsys: pytest.CaptureFixture[str]) -> None:
    with pytest.raises(SystemExit) as caught:
        cli.main(["chek"])
    assert caught.value.code == 2
    assert 'no command "chek"; did you mean "check"?' in capsys.readouterr().err


@pytest.mark.parametrize(
    ("arguments", "said"),
    [
        (["report", "lood"], 'no report kind "lood"; did you mean "load"?'),
        (["lines", "--baud", "fast"], '--baud: "fast" is not a whole number; example: benchd lines'),
        (["amounts"], "MOLD is missing; example: benchd amounts"),
        (["log", "--folow"], 'did you mean "--follow"?'),
        (["demo", "--load", "4"], 'no --load "4"; known: 1, 2, 3'),
        (["log", "--since", "soon"], '--since: "soon" is not a time; write "09:40"'),
    ],
)  # fmt: skip
def test_wrong_usage_names_the_remedy(arguments: list[str], said: str, capsys: pytest.CaptureFixture[str]) -> None:
    with pytest.raises(SystemExit) as caught:
        cli.main(arguments)
    assert caught.value.code == 2
    assert said in " ".join(capsys.readouterr().err.split())


CODES: list[tuple[BaseException, int]] = [
    (SettingsError([Complaint("a.toml", "x", "wrong", line=3), Complaint("a.toml", "y", "worse")]), 78),
    (RecordingError("no recording"), 3),
    (MarkRejected("no"), 1),
    (BenchdError("else"), 1),
    (KeyboardInterrupt(), 130),  # 128 + SIGINT: POSIX.1-2017, XCU 2.8.2
]


@pytest.mark.parametrize(("error", "code"), CODES)
def test_each_error_has_its_exit_code_and_its_lines(
    error: BaseException, code: int, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    failing = ModuleType("failing")

    def run(args: object) -> int:
        raise error

    failing.__dict__.update(HELP="fails", EXAMPLE="benchd check", add_arguments=lambda parser: None, run=run)
    monkeypatch.setattr("benchd.cli.importlib.import_module", lambda name: failing)
    assert cli.main(["check"]) == code
    said = capsys.readouterr()
    assert said.out == ""
    assert said.err == "".join(f"error: {line}\n" for line in str(error).splitlines())


def test_errors_are_coloured_only_on_a_terminal_without_no_color(
    monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    monkeypatch.delenv("NO_COLOR", raising=False)
    monkeypatch.setattr(sys.stderr, "isatty", lambda: True)
    assert cli._say(BenchdError("x"), 1) == 1
    assert capsys.readouterr().err == "\x1b[1;31merror:\x1b[0m x\n"
    monkeypatch.setenv("NO_COLOR", "")
    cli._say(BenchdError("x"), 1)
    assert capsys.readouterr().err == "error: x\n"


def test_a_reader_that_has_enough_is_no_error() -> None:
    done = subprocess.run(
        f"{sys.executable} -m benchd schema findings | head -c 20", shell=True, capture_output=True, text=True,
        cwd=REPOSITORY, timeout=60,
    )  # fmt: skip
    assert (done.stdout[:1], done.stderr) == ("{", "")


def test_a_wrong_configuration_is_78_with_every_complaint(tmp_path: Path) -> None:
    (tmp_path / "bench.toml").write_text('[bench]\nshop = "s"\nname = "n"\n[pot.p]\nname = "P"\nvolume = 16\n')
    done = benchd("check", "-c", str(tmp_path / "bench.toml"))
    assert (done.returncode, done.stdout) == (78, "")
    assert len(done.stderr.splitlines()) == 3  # volume has no unit, marked and relief are missing
    assert f'error: {tmp_path}/bench.toml:6: pot.p.volume: 16 has no unit; write "16 ml" or "16 l"' in done.stderr
