"""`benchd replay`: prints what benchd finds and says in a recording, the same every time."""

from __future__ import annotations

import argparse
from collections.abc import Callable, Iterable, Iterator, Sequence
from dataclasses import replace
from itertools import chain
from pathlib import Path
from typing import Any

from benchd.commands.replay.against import show, told_before
from benchd.core.bench.context import bench_from_context
from benchd.core.engine import Engine
from benchd.core.findings import Effect, Finding
from benchd.core.format.printed import to_json_object
from benchd.core.format.record import ReadCounts, carried_state, read_recording
from benchd.core.model import Alert, Context, Input, Standing, Utterance
from benchd.core.state.errors import StateError
from benchd.errors import RecordingError
from benchd.plugins import load_settings, watcher_plan
from benchd.runtime.printing.terminal import Progress, complain, say_json
from benchd.runtime.recordings.importing import after_head, with_head
from benchd.settings import Loaded

HELP = "print what follows from a recording: one JSON object per line"
EXAMPLE = "benchd replay load-1.jsonl | head"
UNIX_TIME_FROM = 1e8  # an --until beyond three years is a point in time, not a duration
FROM_BEFORE = (
    "what was known of its day: how long probes were silent, whether air and lots were damp, how fast the pot cools, "
    "which parts were pulled"
)
LONGEST_SILENCE_S = 86_400.0  # how far --until may reach beyond the last input


def add_arguments(parser: argparse.ArgumentParser) -> None:
    """Add this command's arguments to its parser."""
    parser.add_argument("file", type=Path, metavar="FILE", help="a recording")
    parser.add_argument("-c", "--config", type=Path, help="bench.toml in place of the recording's own context")
    parser.add_argument("--shelf", type=Path, help="shelf.toml with -c, if not the bench's own")
    parser.add_argument(
        "--json", action="store_true", help="one JSON object per line (the default; for scripts that want to say so)"
    )
    parser.add_argument(
        "--until", type=float, metavar="S", help="stop S seconds after the first input, or at unix time S"
    )
    parser.add_argument(
        "--against", type=Path, metavar="OTHER",
        help="show how this differs from what was said: a journal, or a file of replay's lines; exit code 1 if it does",
    )  # fmt: skip
    parser.set_defaults(parser=parser)


def run(args: argparse.Namespace) -> int:
    """Run the command; returns the exit code."""
    if args.shelf is not None and args.config is None:
        args.parser.error("--shelf goes with -c bench.toml")
    if args.against is not None and args.json:
        args.parser.error("--against is for reading: leave --json out")
    loaded = None if args.config is None else load_settings(args.config, args.shelf)
    counts, said = ReadCounts(), Said(args.against is not None)
    try:
        with open(args.file, encoding="utf-8", errors="surrogateescape") as lines:
            first = next(lines, "")
            items: Iterable[Input] = understood(read_recording(chain([first], lines), counts))
            if loaded is None:
                head, items = with_head(items)
                engine = begun_with(first, head)
            else:
                engine = Engine(watcher_plan)
                complain(f"config: {args.config} in place of the recording's")
                items = with_config(items, loaded)
            with Progress() as progress:
                replay(progress.each(said.spanned(items), "inputs replayed"), args.until, said.tell, engine)
    except OSError as error:
        remedy = "give what `benchd export recording` wrote"
        raise RecordingError(f"{args.file}: {error.strerror or error}; {remedy}") from error
    except RecordingError as error:
        raise RecordingError(f"{args.file}: {error}") from error
    _tell(counts)
    if args.against is None:
        return 0
    last_t = max(said.last_t, said.now[-1]["t"] if said.now else 0.0)
    return show(told_before(args.against, said.first_t, last_t), said.now)


def begun_with(first_line: str, head: Sequence[Standing]) -> Engine:
    """An engine that continues from the state in a recording, with its context and tables; else a new one.

    When that state does not fit, the consequences are printed on standard error.
    """
    state = carried_state(first_line)
    if state is None:
        return Engine(watcher_plan)
    try:
        return Engine.thaw(state, watcher_plan, head)
    except StateError as error:
        complain(f"state carried by the recording left out: {error}; begun without {FROM_BEFORE}")
        return Engine(watcher_plan)


def replay(items: Iterable[Input], until: float | None, tell: Callable[[Effect], None], engine: Engine) -> None:
    """Step all items, passing on each finding, alert and utterance in order."""
    end_t: float | None = None
    for item in after_head(items, engine):
        if end_t is None:
            end_t = _end(until, item.t)
        if item.t > end_t:
            break
        _each(engine.step(item), tell)
    if until is not None and end_t is not None:
        _each(engine.advance(min(end_t, engine.now + LONGEST_SILENCE_S)), tell)


def _end(until: float | None, first_t: float) -> float:
    if until is None:
        return float("inf")
    return until if until >= UNIX_TIME_FROM else first_t + until


def _each(effects: Iterable[Effect], tell: Callable[[Effect], None]) -> None:
    for effect in effects:
        if isinstance(effect, Finding | Alert | Utterance):
            tell(effect)


class Said:
    """The replay's output, printed line by line or kept for comparison; and the time span of its inputs."""

    def __init__(self, is_kept: bool) -> None:
        self.now: list[dict[str, Any]] = []
        self.first_t, self.last_t = float("inf"), 0.0
        self._is_kept = is_kept

    def spanned(self, items: Iterable[Input]) -> Iterator[Input]:
        """Pass the items through, recording their time span."""
        for item in items:
            self.first_t, self.last_t = min(self.first_t, item.t), max(self.last_t, item.t)
            yield item

    def tell(self, effect: Effect) -> None:
        """Print or keep one effect."""
        told = to_json_object(effect)
        if self._is_kept:
            self.now.append(told)
        else:
            say_json(told)


def understood(items: Iterable[Input]) -> Iterator[Input]:
    """Pass the items through.  Raises RecordingError at a context whose bench this version cannot watch."""
    for item in items:
        if isinstance(item, Context):
            try:
                bench_from_context(item)
            except (TypeError, ValueError, KeyError, AttributeError) as error:
                raise RecordingError(
                    f"its context describes no bench: {error}; record it with `benchd export`"
                ) from error
        yield item


def with_config(items: Iterable[Input], loaded: Loaded) -> Iterator[Input]:
    """The items with this configuration from the start; what the recording had learned first is kept."""
    is_first = True
    for item in items:
        is_context = isinstance(item, Context)
        if is_first:
            given = item if isinstance(item, Context) else loaded.context(item.t)
            yield replace(loaded.context(item.t, given.learned), day=given.day, sheet=given.sheet)
            is_first = False
        if not is_context:
            yield item


def _tell(counts: ReadCounts) -> None:
    """Report on standard error what in the recording could not be read."""
    parts = [f"{counts.inputs} inputs"]
    if counts.bad:
        parts.append(f"{counts.bad} bad lines left out (first: {counts.first_bad})")
    if counts.raised:
        parts.append(f"{counts.raised} times that ran backwards raised")
    complain(", ".join(parts))
