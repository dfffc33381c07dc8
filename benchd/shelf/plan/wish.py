"""Turns what the caster typed ("M01", "M02x2", a lot, a temperature) into an Ask, or says why not."""

from __future__ import annotations

import math
import re
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, field, replace

from benchd.core.bench import Bench, Lot, Mold, Resin
from benchd.core.learned.remedies import on_trial
from benchd.core.model.learned import Learned
from benchd.errors import BenchdError, no_such
from benchd.physics.cup_heat import LABEL_TEMP_C
from benchd.shelf.amounts import fill_ml
from benchd.shelf.plan.ask import Ask, Hands, InLot, PlanLimits, Underway, hands_of
from benchd.shelf.plan.load import too_big
from benchd.shelf.remains import Spent, is_empty, left_g, lots_in_order

MOST_CASTS = 24
WARM_S = 12 * 3600.0  # longer ago no mold is warm [calc]
ROOM_C = (5.0, 45.0)  # outside it a label's clock says nothing; common practice, no source
WORD = re.compile(r"([A-Za-z0-9-]{1,32}?)(?:[x*](\d{1,2}))?", re.ASCII)


class CannotPlan(BenchdError):
    """What was asked can't be planned; `field` names the part, the text says why and what to do."""

    def __init__(self, field: str, why: str) -> None:
        self.field = field
        super().__init__(why)


@dataclass(frozen=True, slots=True, kw_only=True)
class Wish:
    """What was typed.  temp_c None: not known, then the label's own; pours_s: mold code -> seconds."""

    molds: tuple[str, ...]
    lot: str | None = None
    """Named: no other lot is poured."""
    first_lot: str | None = None
    """Poured first, as long as it is good and reaches."""
    temp_c: float | None = None
    temp_basis: str = "typed"
    loads: int | None = None
    start_t: float = 0.0
    pours_s: Mapping[str, float] = field(default_factory=dict)
    why: str = "planned"
    underway: Underway = field(default_factory=Underway)


def ask_of(wish: Wish, bench: Bench, spent: Spent | None = None, learned: Learned | None = None) -> Ask:
    """The Ask of a wish.  Raises CannotPlan naming what is wrong with it and the remedy."""
    spent = spent or Spent()
    casts = tuple(mold for word in _words(wish.molds) for mold in _casts(word, bench))
    _judge_wish(wish, bench, casts)
    lot = _lot(wish, bench, spent)
    if wish.lot is not None:
        casts = tuple(replace(mold, resin=None) for mold in casts)  # a lot that was named is what they are cast in
    label = _label(bench, lot)
    known = learned or Learned()
    more = [] if wish.lot is not None or lot is None else lots_in_order(bench, spent, wish.start_t)
    return Ask(
        casts=tuple(replace(mold, reserve=False) for mold in casts), pots=bench.pots, label=label, temp_c=_room_c(wish),
        start_t=wish.start_t, lot=lot, cup=bench.cups[0].id if len(bench.cups) == 1 else None,
        hands=_hands(wish, bench, known), limits=PlanLimits(most_loads=wish.loads), left_g=left_g(lot, spent),
        today=spent.today,
        used={mold.id: mold.casts_before + spent.casts.get(mold.id, 0) for mold in bench.molds},
        due_factor=_due_factors(casts, label.id, known),
        common=bench.resin(lot.resin) if lot else None,
        aged=_aged(known, lot, wish.start_t),
        life={mold.id: life for mold in bench.molds if (life := known.silicones.get(mold.silicone)) is not None},
        tried={mold.id: on for mold in bench.molds if (on := on_trial(known.remedies, mold.id)) is not None},
        more_lots=tuple(_in_lot(x, bench, spent, casts, known, wish.start_t) for x in _others(more, lot, casts)),
        reserve=tuple(mold for mold in bench.molds if mold.reserve and mold.id not in {cast.id for cast in casts}),
        last_t={id: t for id, t in spent.last_t.items() if wish.start_t - t < WARM_S}, underway=wish.underway,
        temp_basis="label" if wish.temp_c is None else wish.temp_basis, why=wish.why,
    )  # fmt: skip


def _label(bench: Bench, lot: Lot | None) -> Resin:
    label = bench.label_for(lot.id if lot else None)
    if label is None:
        raise CannotPlan("lot", f"which lot? {_listed(x.code for x in bench.lots)}")
    return label


def _room_c(wish: Wish) -> float:
    temp_c = LABEL_TEMP_C if wish.temp_c is None else wish.temp_c
    if not ROOM_C[0] <= temp_c <= ROOM_C[1]:
        raise CannotPlan("temp_c", f"{temp_c:g} C is no temperature to cast at; give 5 to 45 C")
    return temp_c


def _judge_wish(wish: Wish, bench: Bench, casts: Sequence[Mold]) -> None:
    """Raises CannotPlan for what no bench can do in a day, and for a mold that cannot be cast."""
    if not casts:
        raise CannotPlan("molds", "no mold is named: give their codes, as in: benchd plan M01 M02x2")
    if len(casts) > MOST_CASTS:
        raise CannotPlan("molds", f"{len(casts)} casts are more than a day holds; ask for at most {MOST_CASTS}")
    if not bench.pots:
        raise CannotPlan("pot", "no pot is configured: write a [pot.NAME] table into bench.toml")
    if wish.loads is not None and wish.loads < 1:
        raise CannotPlan("loads", "a day has one load at least: give 1 or more")
    for mold in casts:
        _judge(mold, bench)


def _others(lots: Sequence[Lot], first: Lot | None, casts: Sequence[Mold]) -> list[Lot]:
    """The further lots of the first one's resin, or of one that a mold is cast in."""
    if first is None:
        return []
    is_own = [x.resin == first.resin or any(mold.resin == x.resin for mold in casts) for x in lots]
    return [x for x, fits in zip(lots, is_own, strict=True) if fits and x is not first]


def _aged(learned: Learned, lot: Lot | None, t: float) -> tuple[float, float] | None:
    """(ln of the lot's kick over its label's, sd) at its age, where that has clearly changed."""
    drift = None if lot is None or lot.opened is None else learned.drift(lot.id)
    return None if drift is None or lot is None or lot.opened is None else drift.ln_at((t - lot.opened) / 86_400.0)


def _in_lot(lot: Lot, bench: Bench, spent: Spent, casts: Sequence[Mold], learned: Learned, t: float) -> InLot:
    return InLot(
        lot=lot, label=lot.label, common=bench.resin(lot.resin), left_g=left_g(lot, spent),
        due_factor=_due_factors(casts, lot.resin, learned), aged=_aged(learned, lot, t),
    )  # fmt: skip


def _due_factors(casts: Sequence[Mold], resin: str, learned: Learned) -> dict[str, float]:
    """What each mold's demold time is multiplied by, as its pulls taught (shelf/feel.py); within a factor of two."""
    factors: dict[str, float] = {}
    for mold in casts:
        known = learned.factor(mold.id, resin)
        if known is not None and abs(known.log_bias) <= math.log(2.0):
            factors[mold.id] = math.exp(known.log_bias)
    return factors


def _hands(wish: Wish, bench: Bench, learned: Learned) -> Hands:
    usual = hands_of(learned, bench.pots)
    pours_s: dict[str, float] = {}
    for code, seconds in wish.pours_s.items():
        if not 1.0 <= seconds <= 120.0:
            raise CannotPlan("pours", f"{code}: {seconds:g} s is not a pouring time; give 1 to 120 s")
        pours_s[_mold(code, bench).id] = seconds
    return Hands(
        lid_s=usual.lid_s, usual_pour_s=usual.usual_pour_s, fills_s=usual.fills_s, pours_s=pours_s,
    )  # fmt: skip


def _words(molds: Iterable[str]) -> list[str]:
    """The words, also where several were written with commas between them."""
    return [word.strip() for written in molds for word in written.split(",") if word.strip()]


def _casts(word: str, bench: Bench) -> list[Mold]:
    """The casts of one word: M01, or M01x2 (also M01*2).  A mold whose code ends that way is taken by its code."""
    if bench.mold(word.lower()) is not None:
        return [_mold(word, bench)]
    written = WORD.fullmatch(word)
    if written is None:
        raise CannotPlan("molds", f'"{word[:40]}" is no mold code; write M01, or M01x2 for two casts')
    times = int(written[2] or 1)
    if not 1 <= times <= MOST_CASTS:
        raise CannotPlan("molds", f"{word}: ask for 1 to {MOST_CASTS} casts")
    return [_mold(written[1], bench)] * times


def _mold(code: str, bench: Bench) -> Mold:
    mold = bench.mold(code.lower())
    if mold is None:
        known = [each.code for each in bench.molds]
        raise CannotPlan("molds", no_such("mold", code[:40], known, "the shelf has none"))
    return mold


def _judge(mold: Mold, bench: Bench) -> None:
    """Refuse a mold that can't be cast on any day; a retired or worn one is left out by the plan, with the reason."""
    if mold.retired:
        return
    if min(mold.cavity_ml, mold.gate_ml, mold.reservoir_ml) < 0.0 or fill_ml(mold) <= 0.0:
        raise CannotPlan(
            "molds", f"{mold.code}: its volume is not above zero; weigh its water and write cavity_ml into shelf.toml"
        )
    tight = [too_big([mold], pot) for pot in bench.pots]
    if all(tight):
        raise CannotPlan("molds", f"{mold.code}: {tight[0]}")


def _lot(wish: Wish, bench: Bench, spent: Spent) -> Lot | None:
    """The lot asked for, else the newest that is not suspect, empty or past its shelf end."""
    code = wish.lot
    if code is not None:
        lot = bench.lot(code.lower())
        if lot is None:
            known = [each.code for each in bench.lots]
            raise CannotPlan("lot", no_such("lot", code[:40], known, "the shelf has none"))
        if is_empty(lot, spent):
            others = [each.code for each in bench.lots if not is_empty(each, spent) and not each.suspect]
            raise CannotPlan("lot", f"lot {lot.code} is empty: open another{', or take ' if others else ''}"
                             f"{_listed(others) if others else ''}")  # fmt: skip
        return lot
    good = lots_in_order(bench, spent, wish.start_t)
    if bench.lots and not good:
        raise CannotPlan("lot", "every lot is empty or suspect: open another and write its [[lot]] into shelf.toml")
    return next((lot for lot in good if lot.id == wish.first_lot), good[0] if good else None)


def _listed(names: Iterable[str]) -> str:
    all_names: Sequence[str] = list(names)
    return ", ".join(all_names) if all_names else "none"
