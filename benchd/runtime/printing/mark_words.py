"""Says a mark as a person would: "demolded M02, hard, good"."""

from __future__ import annotations

from benchd.core.model import Mark
from benchd.runtime.printing.finding_words import Names, span


def mark_words(mark: Mark, names: Names | None = None) -> str:
    """The verb and what it was about, in the order a person says it; nothing that was left open."""
    about = [mark.mold.upper()] if mark.mold else []
    about += [" ".join(code.upper() for code in mark.molds)] if mark.molds else []
    about += [f"lot {mark.lot.upper()}"] if mark.lot else []
    about += [f"recipe {mark.recipe}"] if mark.recipe else []
    named = [(names or {}).get((kind, id or ""), id) for kind, id in (("cup", mark.cup), ("pot", mark.pot))]
    about += [word for word in (*named, mark.pour, mark.load, mark.code) if word]
    about += [f"{side} {grams:g} g" for side, grams in (("A", mark.a_g), ("B", mark.b_g)) if grams is not None]
    about += [f"molds at {mark.mold_c:g} C"] if mark.mold_c is not None else []
    about += [f"shelved for {span(mark.shelve_s)}"] if mark.shelve_s is not None else []
    about += [word for word in (mark.feel, mark.grade, mark.cause) if word]
    about += [f'"{mark.text}"'] if mark.text else []
    about += [f"picture {mark.picture}"] if mark.picture else []
    return f"{mark.verb} {', '.join(about)}".rstrip()
