"""What the shop's screen says of one bench: its word, a line for each cup and pot, what comes due.

The words are those of the bench's own page; a line carries a clock as seconds to (`in_s`) or since (`for_s`) something.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from typing import Any

from benchd.core.units import KPA_PER_PSI

Cards = Mapping[tuple[str, str], Mapping[str, Any]]
Line = dict[str, Any]

BAR_KPA = 100.0
CUP_PHASES = {
    "mixing": "mixing",
    "pouring": "pouring",
    "standing": "poured, lid",
    "kicked": "kicked",
    "curing": "cures",
}
POT_PHASES = {"filling": "filling", "fed": "holding, air on", "isolated": "holding", "venting": "venting"}
MOLD_WORDS = {"due-green": "due, pull green", "due-going-hard": "going hard", "due-hard": "due", "due-test": "test it"}
WORST = 2


def bench_view(
    cards: Cards, alerts: Mapping[str, Mapping[str, Any]], probes: Mapping[str, bool], now_t: float, unit: str
) -> dict[str, Any]:
    """The word and its priority, and the lines of one bench at now_t [unix s]."""
    lines = [*_cups(cards, now_t), *_pots(cards, now_t, unit)]
    lines += [{"what": id, "words": "not heard", "doubt": True} for id, up in sorted(probes.items()) if not up]
    worst = sorted(
        (a for a in alerts.values() if a.get("text") and _priority(a) <= WORST),
        key=lambda a: (_priority(a), bool(a.get("heard"))),
    )
    if worst:
        return {"word": str(worst[0]["text"])[:120], "priority": _priority(worst[0]), "lines": lines}
    return {"word": "", "priority": 4, "lines": lines}


def _priority(alert: Mapping[str, Any]) -> int:
    found = alert.get("priority")
    return found if isinstance(found, int) else 4


def _of(cards: Cards, kind: str) -> Iterator[tuple[str, Mapping[str, Any]]]:
    yield from ((id, card) for (of, id), card in sorted(cards.items()) if of == kind)


def _cups(cards: Cards, now_t: float) -> Iterator[Line]:
    for id, card in _of(cards, "pour"):
        phase = str(card.get("phase", "idle"))
        mix_t, kick = _time(card.get("mix_t")), card.get("kick")
        if phase not in CUP_PHASES or mix_t is None:
            continue
        line: Line = {"what": f"{id}, {card['lot'].upper()}" if isinstance(card.get("lot"), str) else id}
        line |= {"words": CUP_PHASES[phase], "for_s": now_t - mix_t}
        early = _time(kick.get("early")) if isinstance(kick, dict) else None
        if early is not None and isinstance(kick, dict) and not kick.get("found") and phase != "curing":
            line |= {"then": "kick", "in_s": early - now_t}
        yield line


def _pots(cards: Cards, now_t: float, unit: str) -> Iterator[Line]:
    for id, card in _of(cards, "pot"):
        phase, kpa = str(card.get("phase", "idle")), card.get("kpa")
        if card.get("basis") == "blind":
            yield {"what": id, "words": "blind: watch the dial", "doubt": True}
            continue
        if phase not in POT_PHASES:
            continue
        shown = f", {pressure(float(kpa), unit)}" if isinstance(kpa, int | float) else ""
        line: Line = {"what": id, "words": f"{POT_PHASES[phase]}{shown}"}
        hold_t = _time(card.get("hold_at"))
        if _time(card.get("hold_done_t")) is not None:
            line["words"] += ", hold done"
        elif hold_t is not None and phase != "venting":
            line |= {"then": "hold done", "in_s": hold_t - now_t}
        yield line


def due_of(cards: Cards, now_t: float) -> Iterator[Line]:
    """Parts and holds of one bench with when they come due [s from now], by the late edge of their windows."""
    for id, card in _of(cards, "mold"):
        phase = str(card.get("phase", ""))
        green, hard = (_window(card.get(key)) for key in ("green_at", "hard_at"))
        at, how = (green, "green") if green is not None and phase in ("curing", "due-green") else (hard, "hard")
        if phase in MOLD_WORDS:
            yield {"what": id.upper(), "words": MOLD_WORDS[phase], "in_s": min(0.0, (at or now_t) - now_t)}
        elif phase == "curing" and at is not None:
            is_shut = at <= now_t and _is_shut(cards)  # nothing is due under pressure
            yield {"what": id.upper(), "words": "once vented" if is_shut else how, "in_s": at - now_t}
    for id, card in _of(cards, "pot"):
        hold_t = _time(card.get("hold_at"))
        if hold_t is not None and card.get("phase") in ("fed", "isolated") and "hold_done_t" not in card:
            yield {"what": id, "words": "hold done", "in_s": hold_t - now_t}


def _is_shut(cards: Cards) -> bool:
    return any(card.get("phase") in POT_PHASES for _, card in _of(cards, "pot"))


def _window(told: object) -> float | None:
    return _time(told[2]) if isinstance(told, list) and len(told) == 3 else None


def _time(told: object) -> float | None:
    return float(told) if isinstance(told, int | float) and 0 < told < 1e11 else None


def pressure(kpa: float, unit: str) -> str:
    """A pressure as people read it on their gauge."""
    if unit == "kPa":
        return f"{kpa:.0f} kPa"
    return f"{kpa / BAR_KPA:.2f} bar" if unit == "bar" else f"{kpa / KPA_PER_PSI:.1f} psi"
