"""The work of the engine's thread: steps numbered inputs, and freezes the engine where a checkpoint is due."""

from __future__ import annotations

import zlib
from collections.abc import Sequence
from dataclasses import dataclass, field
from typing import Protocol

from benchd.core.findings import Effect, Finding
from benchd.core.model import Input
from benchd.core.state.errors import StateError
from benchd.runtime.journal.rows import Checkpoint, Event, Reached, event_of
from benchd.runtime.watch.mailbox import Advance

PHASE_FINDINGS = ("pour_started", "pour_ended", "load_closed", "load_opened", "kicked")
PACKING = 6  # compression level of a checkpoint: half the size of the fastest level, for 2 ms more


class EngineLike(Protocol):
    """core.engine.Engine as the shell sees it."""

    told: int

    @property
    def now(self) -> float:
        """Bench time [unix s]."""

    @property
    def is_busy(self) -> bool:
        """Whether a pour or load is open."""

    @property
    def is_pouring(self) -> bool:
        """Whether a cup was mixed that has not kicked yet."""

    def step(self, item: Input, /) -> list[Effect]:
        """Step one input; its effects."""

    def advance(self, t: float, /) -> list[Effect]:
        """Tick up to t [bench s]; the effects."""

    def freeze(self) -> bytes:
        """The whole state, packed."""


@dataclass(frozen=True, slots=True)
class Numbered:
    """One event with its number and the last input stepped before it."""

    number: int
    seq: int
    effect: Event


@dataclass(slots=True)
class Stepped:
    """The result of stepping inputs: events in order, the states (readings, cards) in order."""

    events: list[Numbered] = field(default_factory=list)
    states: list[Effect] = field(default_factory=list)


@dataclass(slots=True)
class Work:
    """A request to the engine's thread: numbered inputs and advances in order; whether to freeze afterwards."""

    items: list[tuple[int, Input | Advance]]
    freeze: bool


@dataclass(slots=True)
class Done:
    """The result of a `Work`."""

    out: Stepped = field(default_factory=Stepped)
    reached: Reached = field(default_factory=lambda: Reached(0, 0.0, 0))
    is_busy: bool = False
    is_pouring: bool = False
    checkpoint: Checkpoint | None = None
    unkept: str = ""
    """Why a requested checkpoint could not be made."""


def run_inputs(engine: EngineLike, rows: Sequence[tuple[int, Input]]) -> Stepped:
    """Step numbered inputs, in the engine's thread; events get the engine's numbers."""
    out = Stepped()
    for seq, item in rows:
        collect(engine.told, seq, engine.step(item), out)
    return out


def collect(told_before: int, seq: int, effects: Sequence[Effect], out: Stepped) -> None:
    """Sort one step's effects into events, numbered from told_before on, and states."""
    number = told_before
    for effect in effects:
        event = event_of(effect)
        if event is None:
            out.states.append(effect)
        else:
            number += 1
            out.events.append(Numbered(number, seq, event))


def step_all(engine: EngineLike, work: Work) -> Done:
    """Step one whole batch, in the engine's thread."""
    done = Done()
    for seq, item in work.items:
        before = engine.told
        effects = engine.advance(item.t) if isinstance(item, Advance) else engine.step(item)
        collect(before, seq, effects, done.out)
    seq = work.items[-1][0]
    done.reached = Reached(seq, engine.now, engine.told)
    done.is_busy, done.is_pouring = engine.is_busy, engine.is_pouring
    if work.freeze or any(is_phase_change(event.effect) for event in done.out.events):
        try:
            done.checkpoint = Checkpoint(seq, engine.now, engine.told, zlib.compress(engine.freeze(), PACKING))
        except StateError as error:  # the watch goes on; a restart would replay from the checkpoint before
            done.unkept = str(error)
    return done


def is_phase_change(effect: Effect) -> bool:
    """Whether a pour or load began, ended or kicked, which is worth a checkpoint."""
    return isinstance(effect, Finding) and effect.finding in PHASE_FINDINGS
