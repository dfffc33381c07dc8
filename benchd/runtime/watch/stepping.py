"""The work of the engine's thread on one batch: steps it, and freezes the engine where a checkpoint is due."""

from __future__ import annotations

import zlib
from dataclasses import dataclass, field

from benchd.core.findings import Effect, Finding
from benchd.core.model import Input
from benchd.core.state.errors import StateError
from benchd.runtime.journal.rows import Checkpoint, Reached
from benchd.runtime.watch.mailbox import Advance
from benchd.runtime.watch.recovery import EngineLike, Stepped, collect

PHASE_FINDINGS = ("pour_started", "pour_ended", "load_closed", "load_opened", "kicked")
PACKING = 6  # compression level of a checkpoint: half the size of the fastest level, for 2 ms more


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
