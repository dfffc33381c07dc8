"""`benchd completion`: a script that lets the shell complete benchd's commands, options and files."""

from __future__ import annotations

import argparse
from pathlib import Path

import shtab

from benchd.runtime.printing.terminal import say

HELP = "print a completion script for bash or zsh"
EXAMPLE = "benchd completion bash > ~/.local/share/bash-completion/completions/benchd"
SHELLS = ("bash", "zsh")


def add_arguments(parser: argparse.ArgumentParser) -> None:
    """Add this command's arguments to its parser."""
    parser.add_argument("shell", choices=SHELLS, help="bash: save it where the example says; zsh: as _benchd in $fpath")


def run(args: argparse.Namespace) -> int:
    """Run the command; returns the exit code."""
    parser: argparse.ArgumentParser = args.whole()
    for one in (parser, *subparsers(parser).values()):
        for action in one._actions:
            if action.type is Path:
                action.complete = shtab.FILE  # type: ignore[attr-defined]  # the library's own way to say so
    say(*shtab.complete(parser, args.shell).split("\n"))
    return 0


def subparsers(parser: argparse.ArgumentParser) -> dict[str, argparse.ArgumentParser]:
    """The parser of each command, by name."""
    for action in parser._actions:
        if isinstance(action, argparse._SubParsersAction):
            return dict(action.choices)
    return {}
