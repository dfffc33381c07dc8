"""`benchd mark`: tells the running daemon what the caster just did."""

from __future__ import annotations

import argparse
import getpass
from collections.abc import Iterator, Sequence
from typing import Any

from benchd.core.format.mark_form import MARK_FIELDS, mark_from_outside
from benchd.core.format.nearest import did_you_mean
from benchd.core.model import CAUSES, FEELS, GRADES, VERBS
from benchd.errors import DecodeError
from benchd.runtime.http.running import ask
from benchd.runtime.printing.terminal import say_json
from benchd.settings.config_option import add_config

HELP = "tell the running daemon what was just done: mix, poured, heard, kicked, demolded ..."
EXAMPLE = "benchd mark mix cup=cup-1 lot=R-07 molds=M02,M03 a_g=159.5 b_g=143.5"

NUMBERS = ("a_g", "b_g", "mold_c", "ttl_s", "shelve_s")
CHOICES = {"feel": FEELS, "grade": GRADES, "cause": CAUSES}
KEYS = tuple(name for name in MARK_FIELDS if name not in ("t", "at", "verb"))


class WrongMark(ValueError):
    """The arguments do not form a mark; the text says what to write."""


def add_arguments(parser: argparse.ArgumentParser) -> None:
    """Add this command's arguments to its parser."""
    add_config(parser)
    parser.add_argument("verb", metavar="VERB", help=", ".join(VERBS))
    parser.add_argument(
        "words", metavar="KEY=VALUE", nargs=argparse.REMAINDER, help=f"or --KEY VALUE; keys: {', '.join(KEYS)}"
    )
    parser.set_defaults(parser=parser)


def run(args: argparse.Namespace) -> int:
    """Run the command; returns the exit code."""
    if {"-h", "--help"} & set(args.words):
        args.parser.print_help()
        return 0
    try:
        body = mark_body(args.verb, args.words)
    except WrongMark as error:
        args.parser.error(str(error))
    _, answer = ask("POST", "/api/v0/marks", body)
    told = {key: answer.get(key) for key in ("id", "ok", "why")}
    told |= {key: answer[key] for key in ("unsaved", "unsaved_why") if key in answer}
    say_json(told)
    return 0 if answer.get("ok") is True else 1


def mark_body(verb: str, words: Sequence[str]) -> dict[str, Any]:
    """The JSON body of a mark from the typed words.  Raises WrongMark."""
    if verb not in VERBS:
        raise WrongMark(f'no mark "{verb}"; {did_you_mean(verb, VERBS)}')
    body: dict[str, Any] = {"verb": verb}
    for key, values in _pairs(words):
        if key not in KEYS:
            raise WrongMark(f'no key "{key}"; {did_you_mean(key, KEYS)}')
        if key in body:
            raise WrongMark(f'"{key}" is given twice')
        body[key] = _value(key, values)
    body.setdefault("by", f"cli:{_user()}")
    try:
        mark_from_outside(0.0, body)
    except DecodeError as error:
        raise WrongMark(str(error)) from error
    return body


def _pairs(words: Sequence[str]) -> Iterator[tuple[str, list[str]]]:
    """(key, values) from KEY=VALUE, --KEY=VALUE and --KEY VALUE ..., in any order."""
    waiting = list(words)
    while waiting:
        word = waiting.pop(0)
        key, equals, value = word.removeprefix("--").partition("=")
        values = [value] if equals else []
        if not equals and word.startswith("--"):
            while waiting and not waiting[0].startswith("--") and "=" not in waiting[0]:
                values.append(waiting.pop(0))
        if not values:
            raise WrongMark(f'"{word}" is not KEY=VALUE')
        yield key.replace("-", "_"), values


def _value(key: str, values: list[str]) -> Any:
    if key == "molds":
        return [code for value in values for code in value.split(",") if code]
    written = " ".join(values)
    if key in NUMBERS:
        try:
            return float(written)
        except ValueError as error:
            unit = {"g": "grams", "c": "degrees C", "s": "seconds"}[key[-1]]
            raise WrongMark(f'{key}="{written}" is not a number of {unit}') from error
    if key in CHOICES and written not in CHOICES[key]:
        raise WrongMark(f'{key}="{written}" is not one of {", ".join(CHOICES[key])}')
    return written


def _user() -> str:
    try:
        return getpass.getuser()
    except (KeyError, OSError):
        return "?"
