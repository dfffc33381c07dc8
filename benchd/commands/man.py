"""`benchd man`: prints the manual page, generated from the commands' own help."""

from __future__ import annotations

import argparse
from collections.abc import Iterator

from benchd import __version__
from benchd.commands.completion import subparsers
from benchd.runtime.printing.terminal import say

HELP = "print the manual page benchd(1)"
EXAMPLE = "benchd man > /usr/local/share/man/man1/benchd.1"

FILES = (
    ("bench.toml", "the bench: sources, channels, pots, cups, who is told"),
    ("shelf.toml", "beside it, or in a service's $STATE_DIRECTORY: molds and lots of resin"),
    ("resins/NAME.toml", "beside the shelf: what a resin's label says and what was learned of it"),
    ("journal.db", "in $STATE_DIRECTORY or ~/.local/state/benchd: everything seen and said"),
    ("journal.db.lock", "beside it: held by the one benchd that writes the journal"),
    ("benchd.sock", "in $RUNTIME_DIRECTORY or $XDG_RUNTIME_DIR/benchd: where commands reach the daemon"),
)
CODES = (
    ("0", "done"),
    ("1", "could not be done"),
    ("2", "wrong usage"),
    ("3", "a recording that cannot be read"),
    ("75", "another benchd has the journal; its pid is named"),
    ("78", "wrong configuration"),
)
ENVIRONMENT = (
    ("NO_COLOR", "no colours"),
    (
        "RUNTIME_DIRECTORY, STATE_DIRECTORY",
        "given by the service manager: where the socket, journal, shelf and resins lie",
    ),
    ("NOTIFY_SOCKET, WATCHDOG_USEC", "given by it too: benchd says when it is ready and that it is alive"),
)
CAUTION = (
    "benchd is no safety device.  It never vents or pressurises anything, and it can be wrong or blind.  Watch "
    "the dial, keep the relief valve free, follow the safety data sheet and the mark on the pot.  "
    "Silence never means all is well."
)


def add_arguments(parser: argparse.ArgumentParser) -> None:
    """Add nothing: the command has no arguments."""


def run(args: argparse.Namespace) -> int:
    """Run the command; returns the exit code."""
    say(*page(args.whole()))
    return 0


def page(parser: argparse.ArgumentParser) -> Iterator[str]:
    """The page's lines, in the man macros of groff_man(7)."""
    yield f'.TH BENCHD 1 "" "benchd {__version__}" "User Commands"'
    yield from (".SH NAME", "benchd \\- watches a resin-casting bench")
    yield from (".SH SYNOPSIS", ".B benchd", ".I COMMAND", "[options]", ".br", ".B benchd \\-\\-version")
    yield from (".SH DESCRIPTION", written(parser.description or ""), ".SH COMMANDS")
    for name, command in sorted(subparsers(parser).items()):
        yield from _command(name, command)
    for title, rows in (("FILES", FILES), ("ENVIRONMENT", ENVIRONMENT), ("EXIT STATUS", CODES)):
        yield f".SH {title}"
        for term, what in rows:
            yield from _item(term, what)
    yield from (".SH CAUTION", written(CAUTION))


def _command(name: str, command: argparse.ArgumentParser) -> Iterator[str]:
    words = " ".join(str(a.metavar or _choices(a)) for a in _positional(command))
    yield f".SS {written(f'benchd {name} {words}'.rstrip())}"
    yield written(command.description or "")
    for action in command._actions:
        if isinstance(action, argparse._HelpAction) or action.help == argparse.SUPPRESS:
            continue
        term = ", ".join(action.option_strings) or str(action.metavar or _choices(action))
        value = "" if action.nargs == 0 or not action.option_strings else f" {action.metavar or _choices(action)}"
        yield from _item(term + value, (action.help or "").replace("%%", "%"))
    yield from (".PP", written((command.epilog or "")[:1].upper() + (command.epilog or "")[1:]))


def _item(term: str, what: str) -> tuple[str, ...]:
    return ".TP", f".B {written(term)}", written(what)


def _positional(command: argparse.ArgumentParser) -> list[argparse.Action]:
    return [action for action in command._actions if not action.option_strings]


def _choices(action: argparse.Action) -> str:
    return "|".join(map(str, action.choices)) if action.choices else action.dest.upper()


def written(text: str) -> str:
    """Text escaped for roff: nothing in it reads as a request or an escape."""
    one_line = " ".join(text.split()).replace("\\", "\\e").replace("-", "\\-").replace("'", "\\(aq")
    return f"\\&{one_line}" if one_line.startswith((".", "\\(aq")) else one_line
