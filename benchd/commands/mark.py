"""`benchd mark`: tells the running daemon what the caster just did.

Words after the verb say it as a caster would ("demolded M02 hard good"); KEY=VALUE says the rest.  A word that is none
of a verb's feels, grades and causes is what the verb is about: its mold, pot, alert or text.
"""

from __future__ import annotations

import argparse
import getpass
from collections.abc import Callable, Iterator, Mapping, Sequence
from contextlib import nullcontext
from pathlib import Path
from typing import Any

from benchd.core.format.mark_form import MARK_FIELDS, mark_from_outside
from benchd.core.model import CAUSES, FEELS, GRADES, VERBS
from benchd.errors import DecodeError, did_you_mean, no_such
from benchd.runtime.http.running import ask, for_bench
from benchd.runtime.printing.mark_words import mark_words
from benchd.runtime.printing.terminal import complain, say, say_json
from benchd.settings.config_option import add_config

HELP = "tell the running daemon what was just done: mix, poured, heard, kicked, demolded and others"
EXAMPLE = "benchd mark demolded M02 hard good"

CHOICES = {"feel": FEELS, "grade": GRADES, "cause": CAUSES}
KEYS = tuple(name for name in MARK_FIELDS if name not in ("t", "at", "verb"))
ABOUT = {
    "mix": "molds", "poured": "mold", "demolded": "mold", "kicked": "cup", "end": "cup", "heard": "code", "shut": "pot",
    "topup": "pot", "dumped": "pot", "note": "text", "check": "code", "watch": "text", "oven": "molds",
    "oven-out": "molds", "tried": "text", "trimmed": "mold", "prepared": "code",
}  # fmt: skip
"""Verb -> the key that its bare words are for."""
EACH = ("poured", "demolded", "trimmed")
"""Verbs of one mold: several molds are as many marks."""

Lots = Callable[[], Sequence[str]]
"""The shelf's lots, asked only where a word may be one."""


class WrongMark(ValueError):
    """The arguments do not form a mark; the text says what to write."""


def add_arguments(parser: argparse.ArgumentParser) -> None:
    """Add this command's arguments to its parser."""
    add_config(parser)
    parser.add_argument("--json", action="store_true", help="the answer as JSON")
    parser.add_argument("verb", metavar="VERB", help=", ".join(VERBS))
    parser.add_argument(
        "words", metavar="WORD", nargs=argparse.REMAINDER,
        help=f"M02 hard good, or KEY=VALUE, or --KEY VALUE; keys: {', '.join(KEYS)}",
    )  # fmt: skip
    parser.set_defaults(parser=parser)


def run(args: argparse.Namespace) -> int:
    """Run the command; returns the exit code."""
    if {"-h", "--help"} & set(args.words):
        args.parser.print_help()
        return 0
    own, words = own_parser(args).parse_known_args(args.words)
    with for_bench(own.config) if own.config is not None else nullcontext():
        try:
            bodies = mark_bodies(args.verb, words, _lots)
        except WrongMark as error:
            args.parser.error(str(error))
        answers = [(body, ask("POST", "/api/v0/marks", body)[1]) for body in bodies]
    for body, answer in answers:
        if own.json:
            told = {key: answer.get(key) for key in ("id", "ok", "why")}
            say_json(told | {key: answer[key] for key in ("unsaved", "unsaved_why") if key in answer})
        else:
            _say(body, answer)
    return 0 if all(answer.get("ok") is True for _, answer in answers) else 1


def own_parser(args: argparse.Namespace) -> argparse.ArgumentParser:
    """Reads the command's own options where they were written behind the verb."""
    own = argparse.ArgumentParser(add_help=False, allow_abbrev=False, exit_on_error=False)
    own.add_argument("-c", "--config", type=Path)
    own.add_argument("--json", action="store_true", default=args.json)
    return own


def _say(body: Mapping[str, Any], answer: Mapping[str, Any]) -> None:
    """The daemon's answer as a sentence; a refusal on standard error."""
    what, why = mark_words(mark_from_outside(0.0, dict(body))), str(answer.get("why") or "")
    if answer.get("ok") is not True:
        complain(f"Not taken: {what}: {why.rstrip('.') or 'the daemon gave no reason'}.")
        return
    end = "" if why.endswith("?") else "."
    say(f"Taken: {what}." + (f" {why[:1].upper()}{why[1:].rstrip('.')}{end}" if why else ""))
    if answer.get("unsaved"):
        complain(f"Not in the log yet: {answer.get('unsaved_why') or 'it is not written'}.")


def _lots() -> Sequence[str]:
    return [str(code) for code in ask("GET", "/api/v0/state")[1].get("about", {}).get("lots", ())]


def mark_bodies(verb: str, words: Sequence[str], lots: Lots = tuple) -> list[dict[str, Any]]:
    """The JSON bodies of the marks that the typed words mean, one for each mold pulled.  Raises WrongMark."""
    verb = verb.lower()
    if verb not in VERBS:
        raise WrongMark(no_such("mark", verb, VERBS))
    body: dict[str, Any] = {"verb": verb}
    bare: list[str] = []
    for key, values in _pairs(words):
        if not key:
            bare += values
            continue
        if key not in KEYS:
            raise WrongMark(no_such("key", key, KEYS))
        if key in body:
            raise WrongMark(f'"{key}" is given twice; leave one out')
        body[key] = _value(key, values)
    _take_bare(verb, bare, body, lots)
    body.setdefault("by", f"cli:{_user()}")
    molds = str(body.get("mold", "")).replace(",", " ").split()
    bodies = [{**body, "mold": mold} for mold in molds] if verb in EACH and len(molds) > 1 else [body]
    return [_checked(one) for one in bodies]


def _checked(body: dict[str, Any]) -> dict[str, Any]:
    """The body with its numbers as numbers, as a daemon of any version takes it.  Raises WrongMark."""
    try:
        mark = mark_from_outside(0.0, body)
    except DecodeError as error:
        raise WrongMark(error.detail) from error
    return {key: getattr(mark, key) if isinstance(getattr(mark, key), float) else body[key] for key in body}


def _take_choices(bare: Sequence[str], body: dict[str, Any]) -> list[str]:
    """Put the words for feel, grade and cause where they belong; the other words.  Raises WrongMark."""
    about: list[str] = []
    for word in bare:
        key = next((key for key, words in CHOICES.items() if word.lower() in words), None)
        if key is None:
            about.append(word)
        elif key in body:
            raise WrongMark(f'"{body[key]}" and "{word}" are both a {key}; leave one out')
        else:
            body[key] = word.lower()
    return about


def _take_bare(verb: str, bare: Sequence[str], body: dict[str, Any], lots: Lots) -> None:
    """Put the words without a key where they belong.  Raises WrongMark."""
    about = _take_choices(bare, body) if verb == "demolded" else list(bare)
    key = ABOUT.get(verb)
    if not about:
        return
    if key is None:
        raise WrongMark(f'{verb} takes no word like "{about[0]}"; write benchd mark {verb}')
    if key in body:
        raise WrongMark(f'"{about[0]}" is not KEY=VALUE, and {key} is given already; leave one out')
    if verb == "mix":
        _take_mix(about, body, lots)
    elif verb in EACH:
        _refuse_slips(about)
        body[key] = " ".join(about)
    elif verb in ("oven", "oven-out"):
        body[key] = [code for word in about for code in word.split(",") if code]
    elif verb == "tried" and "mold" not in body:
        body |= {"mold": about[0], key: " ".join(about[1:])} if about[1:] else {"mold": about[0]}
    elif verb in ("note", "watch", "tried"):
        body[key] = " ".join(about)
    elif len(about) > 1:
        raise WrongMark(f'{verb} takes one {key}, not "{" ".join(about)}"')
    else:
        body[key] = about[0].lower()


def _take_mix(words: Sequence[str], body: dict[str, Any], lots: Lots) -> None:
    """Of a mix the bare words are its molds, and its lot."""
    known = {code.lower() for code in lots()} if "lot" not in body else set()
    codes = [code for word in words for code in word.split(",") if code]
    for code in codes:
        if code.lower() in known:
            body["lot"] = code
    body["molds"] = [code for code in codes if code.lower() not in known]


def _refuse_slips(words: Sequence[str]) -> None:
    """A word without a digit is no mold's code but a misspelled feel, grade or cause: say which."""
    choices = [choice for allowed in CHOICES.values() for choice in allowed]
    for word in words:
        near = did_you_mean(word, choices)
        if near.startswith("did") and not any(sign.isdigit() for sign in word):
            raise WrongMark(f'"{word}" is no mold, feel, grade or cause; {near}')


def _pairs(words: Sequence[str]) -> Iterator[tuple[str, list[str]]]:
    """(key, values) from KEY=VALUE, --KEY=VALUE and --KEY VALUE ..., in any order; ("", [word]) from bare words."""
    waiting = list(words)
    while waiting:
        word = waiting.pop(0)
        key, equals, value = word.removeprefix("--").partition("=")
        if not equals and not word.startswith("--"):
            yield "", [word]
            continue
        values = [value] if equals else []
        while not equals and waiting and not waiting[0].startswith("--") and "=" not in waiting[0]:
            values.append(waiting.pop(0))
        if not values:
            raise WrongMark(f'"{word}" has no value; write {key}=VALUE')
        yield key.replace("-", "_"), values


def _value(key: str, values: list[str]) -> Any:
    if key == "molds":
        return [code for value in values for code in value.split(",") if code]
    written = " ".join(values)
    if key in CHOICES:
        if written.lower() not in CHOICES[key]:
            raise WrongMark(no_such(key, written, CHOICES[key]))
        return written.lower()
    return written


def _user() -> str:
    try:
        return getpass.getuser()
    except (KeyError, OSError):
        return "?"
