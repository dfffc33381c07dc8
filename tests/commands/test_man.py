"""`benchd man`: is the manual page sound roff that names every command and option?"""

from __future__ import annotations

import shutil
import subprocess

import pytest

from benchd import cli
from benchd.commands.completion import subparsers
from benchd.commands.man import written

needs_groff = pytest.mark.skipif(shutil.which("groff") is None, reason="groff is not installed (Debian: groff-base)")


@pytest.fixture
def page(capsys: pytest.CaptureFixture[str]) -> str:
    assert cli.main(["man"]) == 0
    return capsys.readouterr().out


@needs_groff
def test_groff_has_nothing_to_say_against_it(page: str) -> None:
    done = subprocess.run(
        ["groff", "-man", "-Tutf8", "-ww"], input=page, capture_output=True, text=True, timeout=20, check=False
    )
    assert (done.returncode, done.stderr) == (0, "")
    assert "BENCHD(1)" in done.stdout


@needs_groff
def test_every_command_and_option_is_in_it(page: str) -> None:
    done = subprocess.run(
        ["groff", "-man", "-Tascii", "-P-cbou", "-rHY=0", "-rLL=200n"], input=page, capture_output=True, text=True,
        timeout=20, check=True,
    )  # fmt: skip
    shown = " ".join(done.stdout.split())
    commands = subparsers(cli._parser(()))
    assert len(commands) >= 10
    for name, command in commands.items():
        assert f"benchd {name}" in shown
        for action in command._actions:
            for option in action.option_strings if action.dest != "help" else ():
                assert option in shown
    assert "no safety device" in shown


@pytest.mark.parametrize(
    ("text", "expected"),
    [
        (".SH x", "\\&.SH x"),
        ("'tis", "\\&\\(aqtis"),
        ("a\\b", "a\\eb"),
        ("two\n.br lines", "two .br lines"),
        ("--since", "\\-\\-since"),
    ],
)
def test_no_text_reads_as_a_request(text: str, expected: str) -> None:
    """groff_man(7), groff(7): a line beginning with . or ' is a request, \\ an escape, a bare - a hyphen."""
    assert written(text) == expected
