"""The command line: arguments in, exit code out; only the file of the requested command is loaded.

    0 done   1 could not   2 wrong usage   3 unreadable recording   75 journal in use   78 wrong configuration

A command is one file in commands/: HELP (one line), EXAMPLE, add_arguments(parser), run(args) -> exit code.
"""

from __future__ import annotations

import argparse
import importlib
import os
import pkgutil
import sys
from collections.abc import Sequence
from typing import NoReturn

from benchd import __version__
from benchd.core.format.plain_text import printable
from benchd.errors import BenchdError, JournalInUse, RecordingError, SettingsError
from benchd.runtime.printing.terminal import PLAIN, RED, complain, is_colored, painted, say

EXIT_FAILED = 1
EXIT_RECORDING = 3
EXIT_IN_USE = 75  # EX_TEMPFAIL of sysexits.h
EXIT_CONFIG = 78  # EX_CONFIG of sysexits.h
DESCRIPTION = "Watches a resin-casting bench: the cup, the pot, the air.  It is no safety device."


def main(argv: Sequence[str] | None = None) -> int:
    """Run one command; raises nothing but argparse's SystemExit (wrong usage 2, help 0)."""
    arguments = list(sys.argv[1:] if argv is None else argv)
    if arguments[:1] == ["--version"]:
        say(f"benchd {__version__}")
        return 0
    args = _parser(arguments).parse_args(arguments)
    try:
        code = _run(args)
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
        return EXIT_FAILED
    return code


def _run(args: argparse.Namespace) -> int:
    """Run the command for the bench that -c names, or without it for the one that runs here."""
    if not hasattr(args, "is_config_followed"):
        return int(args.run(args))
    from benchd.runtime.http.running import for_bench, is_same, running_config
    from benchd.settings.config_option import CONFIG

    args.is_bench_named = args.config is not None
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


class _Parser(argparse.ArgumentParser):
    """argparse, with suggestions for mistyped commands."""

    def error(self, message: str) -> NoReturn:
        if "invalid choice" in message and self.prog == "benchd":
            import difflib

            written = message.split("'")[1]
            near = difflib.get_close_matches(written, command_names(), n=1)
            message = f'no command "{written}"' + (f', did you mean "{near[0]}"?' if near else "; see benchd --help")
        super().error(printable(message))


def _parser(arguments: Sequence[str]) -> argparse.ArgumentParser:
    """The parser for these arguments: with the one command they name, or with all when they name none."""
    asked = arguments[0] if arguments else ""
    names = command_names()
    parser = _Parser(prog="benchd", description=DESCRIPTION, epilog="example: benchd demo")
    parser.add_argument("--version", action="store_true", help="print the version and exit")
    subparsers = parser.add_subparsers(metavar="COMMAND", required=True)
    for name in [asked] if asked in names else names:
        module = importlib.import_module(f"benchd.commands.{name}")
        sub = subparsers.add_parser(
            name,
            help=module.HELP,
            description=module.HELP[:1].upper() + module.HELP[1:] + ".",
            epilog=f"example: {module.EXAMPLE}",
        )
        module.add_arguments(sub)
        sub.set_defaults(run=module.run)
    parser.set_defaults(whole=lambda: _parser(()))  # for completion and the manual, which cover all commands
    return parser
