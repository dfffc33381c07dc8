"""`benchd completion`: a script that lets the shell complete commands, options, files, and the bench's own names."""

from __future__ import annotations

import argparse
import asyncio
from collections.abc import Callable, Sequence
from pathlib import Path

import shtab

from benchd.core.alarm.phrases import PHRASES
from benchd.core.model import VERBS
from benchd.errors import BenchdError
from benchd.plugins import load_settings
from benchd.runtime.history.numbered import newest
from benchd.runtime.journal.asked import to_read
from benchd.runtime.printing.terminal import say
from benchd.settings.config_option import add_config

HELP = "print a completion script for bash or zsh"
EXAMPLE = "benchd completion bash > ~/.local/share/bash-completion/completions/benchd"
SHELLS = ("bash", "zsh")
OF_METAVAR = {"MOLD": "molds", "LOT": "lots", "ALERT": "alerts", "LOAD": "loads", "POUR": "pours", "VERB": "verbs",
              "CHANNEL": "channels", "POT": "pots", "RESIN": "resins"}  # fmt: skip
"""What an argument is called in the help -> the names it takes."""
OF_DEST = {"molds": "molds", "lot": "lots", "load": "loads", "words": "words", "id": "ids", "about": "ids"}


def add_arguments(parser: argparse.ArgumentParser) -> None:
    """Add this command's arguments to its parser."""
    add_config(parser)
    parser.add_argument("shell", nargs="?", choices=SHELLS, help="bash: save it as the example says; zsh: as _benchd")
    parser.add_argument("--list", dest="kind", choices=tuple(LISTS), help="only the names of this kind, one per line")
    parser.set_defaults(parser=parser)


def run(args: argparse.Namespace) -> int:
    """Run the command; returns the exit code."""
    if args.kind is not None:
        try:
            say(*LISTS[args.kind](args.config))
        except BenchdError:
            return 1  # the shell asks: there is nothing to complete, and nobody to tell
        return 0
    if args.shell is None:
        args.parser.error(f"SHELL is missing; {args.parser.epilog}")
    parser: argparse.ArgumentParser = args.whole()
    for one in (parser, *subparsers(parser).values()):
        for action in one._actions:
            kind = OF_METAVAR.get(str(action.metavar)) or OF_DEST.get(action.dest)
            if action.type is Path:
                action.complete = shtab.FILE  # type: ignore[attr-defined]  # the library's own way to say so
            elif kind is not None and not action.choices:
                action.complete = dict.fromkeys(SHELLS, f"_benchd_{kind}")  # type: ignore[attr-defined]
    say(*shtab.complete(parser, args.shell, preamble=PREAMBLES[args.shell]).split("\n"))
    return 0


def subparsers(parser: argparse.ArgumentParser) -> dict[str, argparse.ArgumentParser]:
    """The parser of each command, by name."""
    for action in parser._actions:
        if isinstance(action, argparse._SubParsersAction):
            return dict(action.choices)
    return {}


def _molds(config: Path) -> Sequence[str]:
    return [mold.code for mold in load_settings(config).bench.molds]


def _lots(config: Path) -> Sequence[str]:
    return [lot.code for lot in load_settings(config).bench.lots]


def _alerts(config: Path) -> Sequence[str]:
    return sorted({phrase.code for phrase in PHRASES})


def _loads(config: Path) -> Sequence[str]:
    return ["last", *asyncio.run(_newest(load_settings(config).journal_path, "load"))]


def _pours(config: Path) -> Sequence[str]:
    return ["last", *asyncio.run(_newest(load_settings(config).journal_path, "pour"))]


async def _newest(path: Path, kind: str) -> list[str]:
    async with to_read(path) as journal:
        return await newest(journal, "load" if kind == "load" else "pour")


def _words(config: Path) -> Sequence[str]:
    """What may stand behind a mark's verb."""
    from benchd.core.model import CAUSES, FEELS, GRADES

    bench = load_settings(config).bench
    return [*_molds(config), *FEELS, *GRADES, *CAUSES, *(pot.id for pot in bench.pots), *_lots(config)]


def _ids(config: Path) -> Sequence[str]:
    """What a report or an alert may be about."""
    bench = load_settings(config).bench
    return ["last", "today", *_molds(config), *_lots(config), *(pot.id for pot in bench.pots)]


LISTS: dict[str, Callable[[Path], Sequence[str]]] = {
    "molds": _molds, "lots": _lots, "alerts": _alerts, "loads": _loads, "pours": _pours, "words": _words, "ids": _ids,
    "verbs": lambda config: VERBS,
    "channels": lambda config: [channel.id for channel in load_settings(config).bench.channels],
    "pots": lambda config: [pot.id for pot in load_settings(config).bench.pots],
    "resins": lambda config: [resin.id for resin in load_settings(config).bench.resins],
}  # fmt: skip

TEMPLATES = {
    "bash": """_benchd_KIND() {
  local bench=() i at
  for ((i = 1; i < COMP_CWORD; i++)); do
    case "${COMP_WORDS[i]}" in -c|--config)
      at=$((i + 1)); [ "${COMP_WORDS[at]}" = "=" ] && at=$((i + 2))
      bench=(-c "${COMP_WORDS[at]/#\\~/$HOME}");;
    esac
  done
  compgen -W "$(benchd completion --list KIND "${bench[@]}" 2>/dev/null)" -- "$1"
}""",
    "zsh": """_benchd_KIND() {
  local -a bench=()
  local i
  for ((i = 1; i < CURRENT; i++)); do
    case "${words[i]}" in
      -c|--config) bench=(-c "${words[i + 1]/#\\~/$HOME}");;
      --config=*) bench=(-c "${${words[i]#--config=}/#\\~/$HOME}");;
    esac
  done
  compadd -- ${(f)"$(benchd completion --list KIND "${bench[@]}" 2>/dev/null)"}
}""",
}
"""How a shell asks for the names of a KIND: of the bench whose -c is on the line being written, if one is."""
PREAMBLES = {shell: "\n".join(text.replace("KIND", kind) for kind in LISTS) for shell, text in TEMPLATES.items()}
"""What the scripts call: the names are asked of benchd as the shell completes, so that they are never old."""
