"""Says the next load's steps at their minute, and keeps which are done.

1. The steps and their times come with the run sheet (shelf/plan/prep.py); here each becomes due once.  Without a load
   that waits in today's sheet there are none.
2. `prepared` ends a step: alone the one said last, with a step's or a mold's code that one, `all` them all.  By foot a
   short press does, with nothing to be heard, within ten minutes of the step's words.
3. A step said and not done is taken back when it moves by five minutes or more, or is no longer in the sheet.
4. The load's mix ends its steps.  An undone mix brings back what was done.  Weighed grams that change are to be weighed
   again.
"""

from __future__ import annotations

from dataclasses import dataclass, field

from benchd.core.casting.books import Books
from benchd.core.findings import Finding, PrepDue, PrepNoted, PrepPutOff
from benchd.core.model import Mark, Subject
from benchd.core.model.day import SheetLoad, SheetStep
from benchd.errors import MarkRejected, no_such
from benchd.stored import stored

PRESS_S = 600.0  # a step is done within minutes; common practice, no source
LATER_S = 300.0  # a move of less changes nothing that is done by hand; common practice, no source
TOO_OLD_S = 900.0  # a step that was due longer ago is shown, not said


@stored("prep")
@dataclass(slots=True)
class Prep:
    """The steps done of the load that comes next, what each was done for, and which were said, for when [unix s]."""

    done: dict[str, str] = field(default_factory=dict)
    _said: dict[str, float] = field(default_factory=dict)
    _said_t: float = -1e12
    _taken: tuple[str, ...] = ()
    """The pours that took loads of the sheet."""
    _before_mix: dict[str, str] = field(default_factory=dict)
    _before_mark: dict[str, str] = field(default_factory=dict)

    @property
    def open(self) -> tuple[str, ...]:
        """The steps said and not done."""
        return tuple(id for id in self._said if id not in self.done)

    def tick(self, books: Books) -> list[Finding]:
        """What is due now, and what is taken back."""
        if not books.sheet.loads and not self._said:
            return []
        was = self.done
        self._follow_mixes(tuple(load.pour for load in books.sheet.loads if load.pour is not None))
        load = books.sheet.next_load(books.now)
        if load is None:
            return self._put_off(0, {}, books)
        steps = {step.id: step for step in load.steps}
        self.done = {id: of for id, of in self.done.items() if id not in steps or of == _of(load, steps[id])}
        found = [self._noted(load.number, books.now, books)] if self.done.keys() != was.keys() else []
        return [*found, *self._put_off(load.number, steps, books), *self._due(load, steps, books)]

    def _follow_mixes(self, taken: tuple[str, ...]) -> None:
        if taken == self._taken:
            return
        if self._taken[:-1] == taken and self._taken:
            self.done = self._before_mix
        elif len(taken) > len(self._taken):
            self._before_mix, self.done, self._said = self.done, {}, {}
        self._taken = taken

    def _put_off(self, number: int, steps: dict[str, SheetStep], books: Books) -> list[Finding]:
        late = [
            id
            for id, t in self._said.items()
            if id in steps and steps[id].t >= max(t + LATER_S, books.now) and id not in self.done
        ]
        gone = [id for id in self._said if id not in steps and id not in self.done]
        self._said = {id: t for id, t in self._said.items() if id not in late and id in steps}
        about = Subject(bench=books.bench.id)
        found: list[Finding] = []
        if late:
            found.append(PrepPutOff(t=books.now, subject=about, steps=tuple(late), why="later", number=number))
        if gone:
            found.append(PrepPutOff(t=books.now, subject=about, steps=tuple(gone), why="changed", number=number))
        return found

    def _due(self, load: SheetLoad, steps: dict[str, SheetStep], books: Books) -> list[Finding]:
        found: list[Finding] = []
        for id, step in steps.items():
            if id in self.done or id in self._said or not 0.0 <= books.now - step.t < TOO_OLD_S:
                continue
            self._said[id], self._said_t = step.t, books.now
            about = Subject(bench=books.bench.id)
            found.append(PrepDue(
                t=books.now, subject=about, step=id, what=step.what, mold=step.mold or "", number=load.number
            ))  # fmt: skip
        return found

    def press(self, verb: str, code: str | None, books: Books, is_quiet: bool) -> tuple[str, str | None]:
        """The verb and code of a press, which by itself means these (rule 2)."""
        is_asked = bool(self.open) and books.now - self._said_t <= PRESS_S
        if verb != "heard" or not is_quiet or not is_asked or books.is_mid_pour():
            return verb, code
        return "prepared", self.open[-1]

    def take(self, mark: Mark, books: Books) -> tuple[Mark, list[Finding], str]:
        """One `prepared` mark: with the steps it ended, the finding, the answer.  Raises MarkRejected."""
        load = books.sheet.next_load(books.now)
        if load is None or not load.steps:
            raise MarkRejected("no load waits that needs steps; benchd plan shows them")
        left = [step for step in load.steps if step.id not in self.done]
        ended = self._meant(mark.code, load, left)
        self._before_mark = dict(self.done)
        self.done |= {step.id: _of(load, step) for step in ended}
        count = len([step for step in load.steps if step.id not in self.done])
        why = f"{', '.join(step.id for step in ended) or 'nothing was left'}; {count} left"
        return mark, [self._noted(load.number, mark.t, books)], why

    def _meant(self, code: str | None, load: SheetLoad, left: list[SheetStep]) -> list[SheetStep]:
        """The steps a code means, of those not done."""
        if code is None:
            said = [step for step in left if step.id in self._said]
            return said[-1:] or left[:1]
        if code.lower() == "all":
            return left
        named = [step for step in load.steps if code.lower() in (step.id, step.mold)]
        if not named:
            known = (*(step.id for step in load.steps), "all")
            raise MarkRejected(no_such("step", code, known))
        return [step for step in left if step in named][:1]

    def undo(self, t: float, books: Books) -> list[Finding]:
        """Take the last mark back."""
        self.done = dict(self._before_mark)
        load = books.sheet.next_load(books.now)
        return [] if load is None else [self._noted(load.number, t, books)]

    def _noted(self, number: int, t: float, books: Books) -> Finding:
        return PrepNoted(t=t, subject=Subject(bench=books.bench.id), done=tuple(self.done), number=number)


def _of(load: SheetLoad, step: SheetStep) -> str:
    """What a step was done for: other grams, another lot are weighed again."""
    return f"{load.a_g} {load.b_g} {load.lot}" if step.what == "weigh" else ""
