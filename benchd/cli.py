"""The command line: arguments in, exit code out; only the file of the requested command is loaded.

    0 done   1 could not   2 wrong usage   3 unreadable recording   75 journal in use   78 wrong configuration
    130 ended by Ctrl-C, as shells report it; `benchd run`, which is ended that way, ends with 0

A command is one file in commands/: HELP (one line), EXAMPLE, add_arguments(parser), run(args) -> exit code.
"""

from __future__ import annotations

import argparse
import ast
import importlib
import os
import pkgutil
import re
import sys
import textwrap
from collections.abc import Iterator, Sequence
from pathlib import Path
from typing import Any, NoReturn

from benchd import __version__
from benchd.core.format.plain_text import printable
from benchd.errors import BenchdError, JournalInUse, RecordingError, SettingsError
from benchd.runtime.printing.terminal import PLAIN, RED, complain, is_colored, painted, say

EXIT_FAILED = 1
EXIT_RECORDING = 3
EXIT_IN_USE = 75  # EX_TEMPFAIL of sysexits.h
EXIT_CONFIG = 78  # EX_CONFIG of sysexits.h
EXIT_INTERRUPTED = 130  # 128 + SIGINT: POSIX.1-2017, XCU 2.8.2, and the shells' habit
DESCRIPTION = "Watches a resin-casting bench: the cup, the pot, the air.  It is no safety device."
GROUPS = {
    "Set up": ("demo", "init", "check", "calibrate", "leaktest", "pair", "phone"),
    "Run": ("run", "lines", "mark"),
    "The casting day": ("orders", "plan", "amounts", "shelf"),
    "Look back": ("log", "why", "report", "learn", "replay"),
    "Many benches": ("gather", "shop"),
    "Keep": ("backup", "restore", "export", "import", "schema", "completion", "man"),
}
"""Every command, by when it is used."""
_HELP = re.compile(r'^HELP = ("[^"\n]*")$', re.MULTILINE)


def main(argv: Sequence[str] | None = None) -> int:
    """Run one command; raises nothing but argparse's SystemExit (wrong usage 2, help 0)."""
    arguments = list(sys.argv[1:] if argv is None else argv)
    if arguments[:1] == ["--version"]:
        say(f"benchd {__version__}")
        return 0
    try:
        code = _run(_parser(arguments).parse_args(arguments))
        sys.stdout.flush()
    except SettingsError as error:
        return _say(error, EXIT_CONFIG)
    except RecordingError as error:
        return _say(error, EXIT_RECORDING)
    except JournalInUse as error:
        return _say(error, EXIT_IN_USE)
    except BenchdError as error:
        return _say(error, EXIT_FAILED)
    except BrokenPipeError:  # the reader closed the pipe, as `| head` does
        os.dup2(os.open(os.devnull, os.O_WRONLY), sys.stdout.fileno())
        return 0
    except KeyboardInterrupt:
        return EXIT_INTERRUPTED
    return code


def _run(args: argparse.Namespace) -> int:
    """Run the command for the bench that -c names, or without it for the one that runs here."""
    if not hasattr(args, "is_config_followed"):
        return int(args.run(args))
    from benchd.runtime.http.running import for_bench, is_same, running_config
    from benchd.settings.config_option import CONFIG

    args.is_bench_named = args.config is not None
    if args.config is not None and (args.config / CONFIG.name).is_file():
        args.config = args.config / CONFIG.name  # the folder was named
    with for_bench(args.config):
        if args.config is None:
            running = running_config() if args.is_config_followed else None
            args.config = running or CONFIG
            if running is not None and CONFIG.exists() and not is_same(running, CONFIG):
                complain(f"for the bench that runs here, {running}; -c {CONFIG} for the one in this folder")
        return int(args.run(args))


def _say(error: BenchdError, code: int) -> int:
    """Print every complaint on its own line, on standard error."""
    paint = RED if "NO_COLOR" not in os.environ and is_colored(sys.stderr) else PLAIN
    for line in str(error).splitlines() or [type(error).__name__]:
        complain(painted("error:", paint, after=f" {line}"))
    return code


def command_names() -> list[str]:
    """The names of the commands: each file or package in the commands folder is one."""
    import benchd.commands

    return sorted(m.name for m in pkgutil.iter_modules(benchd.commands.__path__) if not m.name.startswith("_"))


class _Format(argparse.HelpFormatter):
    """argparse's help, with the example on a line of its own, to be copied whole."""

    def _fill_text(self, text: str, width: int, indent: str) -> str:
        return text if text.startswith("example: ") else super()._fill_text(text, width, indent)


class _Parser(argparse.ArgumentParser):
    """argparse, whose complaints name the nearest known word and an example."""

    def __init__(self, **given: Any) -> None:
        super().__init__(formatter_class=_Format, **given)
        self._positionals.title = "arguments"

    def error(self, message: str) -> NoReturn:
        words = _Complaint(message, self)
        super().error(printable(words.text))

    def format_help(self) -> str:
        return super().format_help() if self.prog != "benchd" else "\n".join(_overview(self)) + "\n"


class _Complaint:
    """One of argparse's messages in the words of this program."""

    def __init__(self, message: str, parser: argparse.ArgumentParser) -> None:
        from benchd.errors import no_such

        self._example = f"; {parser.epilog}" if parser.epilog else ""
        choice = re.fullmatch(r"argument ([^:]+): invalid choice: '?(.*?)'? \(choose from (.*)\)", message, re.DOTALL)
        value = re.fullmatch(r"argument ([^:]+): invalid (\w+) value: '(.*)'", message, re.DOTALL)
        unknown = re.fullmatch(r"unrecognized arguments: (.*)", message, re.DOTALL)
        missing = re.fullmatch(r"the following arguments are required: (.*)", message)
        if choice is not None and parser.prog == "benchd":
            self.text = no_such("command", choice[2], command_names(), "see benchd --help")
        elif choice is not None:
            known = re.findall(r"[\w@./-]+", choice[3])
            what = choice[1].lower() if choice[1].startswith("-") else f"{parser.prog.split()[-1]} {choice[1].lower()}"
            self.text = no_such(what, choice[2], known)
        elif value is not None:
            kind = {"int": "a whole number", "float": "a number"}.get(value[2], f"a {value[2].strip('_')}")
            self.text = f'{value[1]}: "{value[3]}" is not {kind}{self._example}'
        elif unknown is not None:
            self.text = no_such("option or word", unknown[1], _options(parser), f"see {parser.prog} --help")
        elif missing is not None:
            self.text = f"{missing[1]} is missing{self._example}"
        else:
            self.text = message.removeprefix("argument ")


def _options(parser: argparse.ArgumentParser) -> set[str]:
    """The long options of a parser and of the commands it has."""
    found = set()
    for action in parser._actions:
        found |= {name for name in action.option_strings if name.startswith("--")}
        if isinstance(action, argparse._SubParsersAction):
            found |= {name for one in action.choices.values() for name in _options(one)}
    return found


def _overview(parser: argparse.ArgumentParser) -> Iterator[str]:
    """What `benchd --help` prints: the commands by when they are used, each with its line."""
    yield f"usage: {parser.prog} COMMAND ...   (benchd COMMAND --help says more of one)"
    yield from ("", DESCRIPTION)
    for title, names in GROUPS.items():
        yield from ("", f"{title}:")
        for name in names:
            first, *more = textwrap.wrap(help_of(name), 66)
            yield f"  {name:<10}  {first}"
            yield from (f"{'':<14}{line}" for line in more)
    yield from ("", "options:", "  -h, --help  this overview", "  --version   the version", "", str(parser.epilog))


def help_of(name: str) -> str:
    """A command's HELP line, read from its file: loading all of them takes a second."""
    import benchd.commands

    for folder in map(Path, benchd.commands.__path__):
        for path in (folder / f"{name}.py", folder / name / "__init__.py"):
            found = _HELP.search(path.read_text("utf-8")) if path.exists() else None
            if found is not None:
                return str(ast.literal_eval(found[1]))
    return str(importlib.import_module(f"benchd.commands.{name}").HELP)


def _parser(arguments: Sequence[str]) -> argparse.ArgumentParser:
    """The parser for these arguments: with the one command they name, or with all when they name none."""
    asked = arguments[0] if arguments else ""
    names = command_names()
    parser = _Parser(prog="benchd", description=DESCRIPTION, epilog="example: benchd demo")
    parser.add_argument("--version", action="store_true", help="print the version and exit")
    subparsers = parser.add_subparsers(metavar="COMMAND", required=True)
    only_names = asked in ("-h", "--help")
    for name in [asked] if asked in names else [] if only_names else names:
        module = importlib.import_module(f"benchd.commands.{name}")
        sub = subparsers.add_parser(
            name,
            help=module.HELP,
            description=f"{module.HELP[:1].upper()}{module.HELP[1:].rstrip(' .')}.",
            epilog=f"example: {module.EXAMPLE}",
        )
        module.add_arguments(sub)
        sub.set_defaults(run=module.run)
    parser.set_defaults(whole=lambda: _parser(()))  # for completion and the manual, which cover all commands
    return parser
