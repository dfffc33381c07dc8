"""`benchd completion`: does a real shell complete commands, options and files with the script?"""

from __future__ import annotations

import shutil
import subprocess
from pathlib import Path

import pytest

from benchd import cli

ROOT = Path(__file__).parents[2]
BASH = shutil.which("bash")
needs_bash = pytest.mark.skipif(BASH is None, reason="bash is not installed")


def script(shell: str, capsys: pytest.CaptureFixture[str]) -> str:
    assert cli.main(["completion", shell]) == 0
    return capsys.readouterr().out


def completed(script: str, folder: Path, *words: str) -> list[str]:
    """What bash offers behind these words, the last being completed."""
    typed = " ".join(f"'{word}'" for word in words)
    asking = (
        f"{script}\n"
        f"COMP_WORDS=(benchd {typed}); COMP_CWORD={len(words)}; COMP_LINE='benchd {' '.join(words)}'\n"
        "$(complete -p benchd | sed 's/.*-F \\([^ ]*\\) .*/\\1/') benchd \"${COMP_WORDS[COMP_CWORD]}\" ''\n"
        'printf "%s\\n" "${COMPREPLY[@]}"\n'
    )
    done = subprocess.run(["bash"], input=asking, capture_output=True, text=True, cwd=folder, timeout=20, check=True)
    return done.stdout.split()


@needs_bash
def test_bash_completes_commands_options_choices_and_files(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    (tmp_path / "bench.toml").touch()
    text = script("bash", capsys)
    assert {"check", "run", "log", "demo"} <= set(completed(text, tmp_path, ""))
    assert completed(text, tmp_path, "che") == ["check"]
    assert completed(text, tmp_path, "run", "--log") == ["--log-level"]
    assert completed(text, tmp_path, "run", "--log-level", "w") == ["warning"]
    assert completed(text, tmp_path, "check", "-c", "ben") == ["bench.toml"]


@needs_bash
def test_bash_completes_the_benchs_own_names(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """The script asks benchd as it completes; the fake below answers in its place."""
    text = script("bash", capsys)
    fake = 'benchd() { [ "$2" = --list ] && case $3 in molds) echo M01 M02;; alerts) echo pot-creeping;; esac; }\n'
    assert completed(fake + text, tmp_path, "amounts", "M0") == ["M01", "M02"]
    assert completed(fake + text, tmp_path, "why", "pot") == ["pot-creeping"]


@needs_bash
@pytest.mark.parametrize("option", [["-c", "other/bench.toml"], ["--config", "other/bench.toml"],
                                    ["--config", "=", "other/bench.toml"]])  # fmt: skip
def test_bash_completes_the_names_of_the_bench_that_the_line_names(
    tmp_path: Path, capsys: pytest.CaptureFixture[str], option: list[str]
) -> None:
    """Two benches on one computer: -c on the line decides whose molds are offered (bash splits a word at its =)."""
    text = script("bash", capsys)
    fake = 'benchd() { [ "$4 $5" = "-c other/bench.toml" ] && echo X01 X02 || echo M01; }\n'
    assert completed(fake + text, tmp_path, "amounts", *option, "") == ["X01", "X02"]
    assert completed(fake + text, tmp_path, "amounts", "") == ["M01"]


@pytest.mark.parametrize(
    ("kind", "some"),
    [
        ("molds", "M02"), ("lots", "R-07"), ("alerts", "pot-leaking-fast"), ("verbs", "demolded"), ("pots", "barrel"),
        ("channels", "barrel-pressure"), ("resins", "fast-white"), ("words", "hard"), ("ids", "last"),
    ],
)  # fmt: skip
def test_the_names_are_listed(kind: str, some: str, capsys: pytest.CaptureFixture[str]) -> None:
    assert cli.main(["completion", "--list", kind, "-c", str(ROOT / "config" / "bench.toml")]) == 0
    assert some in capsys.readouterr().out.splitlines()


def test_without_a_bench_nothing_is_completed_and_nothing_said(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    assert cli.main(["completion", "--list", "molds", "-c", str(tmp_path / "none.toml")]) == 1
    assert capsys.readouterr() == ("", "")


def test_zsh_gets_a_function_that_names_every_command(capsys: pytest.CaptureFixture[str]) -> None:
    text = script("zsh", capsys)
    assert text.startswith("#compdef benchd")
    for name in cli.command_names():
        assert f"{name}:'" in text


def test_another_shell_is_wrong_usage() -> None:
    with pytest.raises(SystemExit) as caught:
        cli.main(["completion", "ksh"])
    assert caught.value.code == 2
