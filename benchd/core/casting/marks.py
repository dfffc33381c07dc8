"""Resolves which pour, pot or mold a mark or switch press means, or refuses it with a reason.

A mark without a subject means the only open one; if several are open, it is refused with their names.  A bare switch
press uses the only cup and pot and the last-used lot, and states the assumption; with a run sheet, its next load.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace

from benchd.core.bench import Bench
from benchd.core.bench.recipe import JOIN, base_of, recipe_of
from benchd.core.casting.load import LoadBook
from benchd.core.casting.pour import Pour, PourBook
from benchd.core.casting.run_sheet import assumed_of, with_load
from benchd.core.model import CAUSES, FEELS, GRADES, MOST_MOLDS, VERBS, Mark
from benchd.core.model.day import SheetLoad
from benchd.errors import MarkRejected, no_such


def listed(names: Sequence[str]) -> str:
    """ "a", "a or b", "a, b or c"."""
    return names[0] if len(names) == 1 else ", ".join(names[:-1]) + " or " + names[-1]


def lowered(mark: Mark) -> Mark:
    """The mark with every id and code in lower case, in which ids are compared."""

    def low(value: str | None) -> str | None:
        return value.lower() if value else None

    return replace(
        mark, cup=low(mark.cup), pot=low(mark.pot), mold=low(mark.mold), lot=low(mark.lot),
        molds=tuple(m.lower() for m in mark.molds), pour=low(mark.pour), load=low(mark.load), recipe=low(mark.recipe),
    )  # fmt: skip


def check_words(mark: Mark) -> None:
    """Raises MarkRejected for words that a mark may not contain."""
    choices = (("verb", mark.verb, VERBS), ("feel", mark.feel, FEELS), ("grade", mark.grade, GRADES))
    for key, value, allowed in (*choices, ("cause", mark.cause, CAUSES)):
        if value is not None and value not in allowed:
            raise MarkRejected(no_such(key, value, allowed))
    for key, grams in (("a_g", mark.a_g), ("b_g", mark.b_g)):
        if grams is not None and grams <= 0:
            raise MarkRejected(f"{key} must be above zero")


def check_molds(mark: Mark) -> None:
    """Raises MarkRejected for more molds than one mix can fill."""
    if len(mark.molds) > MOST_MOLDS:
        what = f"{len(mark.molds)} molds in one mix are too many"
        raise MarkRejected(f"{what}, at most {MOST_MOLDS}; mark each cup's own")


def check_mold(mold: str, bench: Bench) -> None:
    """Raises MarkRejected for a mold that the shelf does not have."""
    if bench.mold(mold) is None:
        raise MarkRejected(no_such("mold", mold.upper(), [m.code for m in bench.molds], "the shelf has none"))


def _only(kind: str, asked: str | None, known: Sequence[str]) -> str:
    if asked is not None:
        if asked not in known:
            raise MarkRejected(no_such(kind, asked, known, "none is configured"))
        return asked
    if len(known) == 1:
        return known[0]
    raise MarkRejected(f"which {kind}? {listed(known)}" if known else f"no {kind} is configured")


def resolve_mix(mark: Mark, bench: Bench, pours: PourBook, sheet_load: SheetLoad | None = None) -> tuple[Mark, str]:
    """A `mix` mark completed with cup, pot, lot and molds (of the run sheet's load, if given), and what was assumed."""
    asked, mark = mark, _on_bench(mark, sheet_load, bench) if sheet_load else mark
    cup = _only("cup", mark.cup, [c.id for c in bench.cups])
    pots = [p.id for p in bench.pots]
    pot = _only("pot", mark.pot, pots) if mark.pot or pots else None
    check_molds(mark)
    for mold in mark.molds:
        check_mold(mold, bench)
    lot = lot_of_mix(mark, bench, pours.last_lot)
    names = {c.id: c.name for c in bench.cups if c.id == cup} | {p.id: p.name for p in bench.pots if p.id == pot}
    guesses = [names.get(id, id) for id, given in ((cup, asked.cup), (pot, asked.pot)) if id and not given]
    guesses += [f"lot {lot.upper()}"] if lot and not asked.lot else []
    if sheet_load:
        guesses.insert(0, assumed_of(sheet_load, asked))
    return replace(mark, cup=cup, pot=pot, lot=lot), ", ".join(guesses)


def lot_of_mix(mark: Mark, bench: Bench, last_lot: str | None) -> str | None:
    """The lot a mix is of, with its recipe ("r-07+grey"); a mix that names none is of the last lot, bare.

    Raises MarkRejected for a lot or recipe that the shelf does not have.
    """
    bare = base_of(mark.lot) or base_of(last_lot)
    if mark.lot and bench.lot(bare) is None:
        raise MarkRejected(no_such("lot", (bare or "").upper(), [x.code for x in bench.lots], "the shelf has none"))
    recipe = mark.recipe or recipe_of(mark.lot)
    if recipe is None:
        return bare
    if bench.recipe(recipe) is None:
        known = [x.code for x in bench.recipes]
        raise MarkRejected(no_such("recipe", recipe, known, "write a [[recipe]] table into shelf.toml"))
    if bare is None:
        raise MarkRejected(f"recipe {recipe} of which lot? name it, as mix lot=R-07 recipe={recipe}")
    return f"{bare}{JOIN}{recipe}"


def _on_bench(mark: Mark, load: SheetLoad, bench: Bench) -> Mark:
    """The mark with the sheet's load, except for what is no longer on the bench, which is resolved as usual."""
    known = replace(
        load, pot=load.pot if bench.pot(load.pot) else None, cup=load.cup if bench.cup(load.cup) else None,
        lot=load.lot if bench.lot(load.lot) else None, molds=tuple(m for m in load.molds if bench.mold(m)),
    )  # fmt: skip
    return with_load(mark, known)


def resolve_pour(mark: Mark, candidates: Sequence[Pour]) -> Pour:
    """The pour that a mark means among the candidates."""
    named = [
        p
        for p in candidates
        if (mark.pour is None or p.id == mark.pour)
        and (mark.cup is None or p.cup == mark.cup)
        and (mark.mold is None or not p.molds or mark.mold in p.molds)
    ]
    if len(named) == 1:
        return named[0]
    if named:
        raise MarkRejected(f"which pour? {listed([p.id for p in named])}")
    if mark.mold is not None and candidates:
        raise MarkRejected(
            no_such("open pour with", mark.mold.upper(), [m.upper() for p in candidates for m in p.molds])
        )
    raise MarkRejected("no pour is open; mark its mix first")


def resolve_pot(mark: Mark, bench: Bench, loads: LoadBook) -> str:
    """The pot that a mark means: the one named, else the only one closed, else the only one.

    Of several pots a `shut` has to name its own: of the one that is still taking air nothing may show yet.
    """
    if mark.pot is None and len(loads.open) == 1 and mark.verb != "shut":
        return next(iter(loads.open))
    return _only("pot", mark.pot, [p.id for p in bench.pots])


def press_verb(kind: str, pours: PourBook, cup: str | None = None) -> str:
    """The verb of a switch press now: short = heard, double = say it again, long = mix when idle, else poured.

    cup: the one whose probe is on the switch's board, where it is one of several: a long press is about its pour.

    The number of molds of a pour without names is unknown: until its pot fills or it kicks, a long press is one more.
    """
    if kind == "short":
        return "heard"
    if kind == "double":
        return "repeat"
    return "poured" if any(cup in (None, pour.cup) for pour in still_pouring(pours)) else "mix"


def still_pouring(pours: PourBook) -> list[Pour]:
    """The pours a `poured` press can belong to."""
    return [p for p in pours if p.phase in ("mixing", "pouring") or (p.phase == "standing" and is_unnamed(p))]


def is_unnamed(pour: Pour) -> bool:
    """Whether a pour names no molds and is in no load yet."""
    return not pour.molds and pour.load is None
