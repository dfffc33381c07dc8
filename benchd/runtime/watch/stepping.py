"""What does the engine's thread do with one batch?  Steps it, and freezes the engine where a checkpoint is due."""

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
PACKING = 6  # of a checkpoint: half the bytes of the fastest, for 2 ms


@dataclass(slots=True)
class Work:
    """What the engine's thread is asked: numbered inputs and advances in order; whether to freeze afterwards."""

    items: list[tuple[int, Input | Advance]]
    freeze: bool


@dataclass(slots=True)
class Done:
    """What came of it."""

    out: Stepped = field(default_factory=Stepped)
    reached: Reached = field(default_factory=lambda: Reached(0, 0.0, 0))
    is_busy: bool = False
    checkpoint: Checkpoint | None = None
    unkept: str = ""
    """Why there is no checkpoint though one was asked for."""


def step_all(engine: EngineLike, work: Work) -> Done:
    """Everything of one batch, in the engine's thread."""
    done = Done()
    for seq, item in work.items:
        before = engine.told
        effects = engine.advance(item.t) if isinstance(item, Advance) else engine.step(item)
        collect(before, seq, effects, done.out)
    seq = work.items[-1][0]
    done.reached = Reached(seq, engine.now, engine.told)
    done.is_busy = engine.is_busy
    if work.freeze or any(is_phase_change(event.effect) for event in done.out.events):
        try:
            done.checkpoint = Checkpoint(seq, engine.now, engine.told, zlib.compress(engine.freeze(), PACKING))
        except StateError as error:  # the watch goes on; a restart would replay from the checkpoint before
            done.unkept = str(error)
    return done


def is_phase_change(effect: Effect) -> bool:
    """Did a pour or load begin, end or kick?  Then a checkpoint is worth its bytes."""
    return isinstance(effect, Finding) and effect.finding in PHASE_FINDINGS
