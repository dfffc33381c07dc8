"""Reads the Casting book's lists from the journal: what was cast, when, and how it came out.

Pours and loads are gathered from their findings; outcomes from the `demolded` marks that were not refused, each given
to the newest pour before it that holds the mold and has no outcome for it yet.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import Any

from benchd.core.bench import Bench
from benchd.core.bench.recipe import base_of
from benchd.core.casting.retold import POURS_AND_KICKS, Retold
from benchd.runtime.history.marks import marks_that_stood
from benchd.runtime.journal.reader import Logbook, Readable, Told

MOST_PAGES = 200
POUR_FINDINGS = (*POURS_AND_KICKS, "cup_peaked", "cup_odd")
LOAD_FINDINGS = (
    "load_closed", "pot_at_pressure", "pot_hold", "pot_leaking", "hold_complete", "pot_vented", "load_opened",
)  # fmt: skip
Page = dict[str, Any]


@dataclass(slots=True)
class Book:
    """Pours and loads by id, in the order they began."""

    retold: Retold = field(default_factory=Retold)
    loads: dict[str, Page] = field(default_factory=dict)

    @property
    def pours(self) -> dict[str, Page]:
        return self.retold.pours

    def see(self, told: Told) -> None:
        """Take one stored finding."""
        if told.name in POUR_FINDINGS:
            self._pour(told)
        else:
            self._load(told)

    def _pour(self, told: Told) -> None:
        body = told.body
        self.retold.see(told.name, body)
        page = self.pours.get(str(body.get("pour") or ""), {})
        page.setdefault("outcomes", [])
        match told.name:
            case "cup_peaked":
                page["peak"] = {"at": body.get("at"), "temp_c": body.get("temp_c")}
            case "cup_odd":
                page["odd"] = body.get("what")

    def _load(self, told: Told) -> None:
        body, id = told.body, str(told.body.get("load"))
        if told.name == "load_closed":
            self.loads[id] = {
                "load": id, "number": body.get("number"), "pot": body.get("pot"), "closed_t": told.t,
                "pours": body.get("pours", []), "at_pressure_t": None, "leak": None,
            }  # fmt: skip
        page = self.loads.get(id)
        if page is None:
            return
        match told.name:
            case "pot_at_pressure":
                page |= {"at_pressure_t": page["at_pressure_t"] or body.get("since"), "margin_s": body.get("margin_s")}
            case "pot_hold":
                page |= {"verdict": body.get("verdict"), "smallest_seen": body.get("smallest_seen")}
            case "pot_leaking" if body.get("active"):
                page["leak"] = {key: body.get(key) for key in ("verdict", "kpa_per_min", "hole_mm")}
            case "hold_complete":
                page |= {"hold_done_t": told.t, "min_kpa": body.get("min_kpa")}
            case "pot_vented":
                page["vent_s"] = body.get("vent_s")
            case "load_opened":
                page["opened_t"] = told.t

    def outcome(self, t: float, mark: Mapping[str, Any]) -> None:
        """Note one demolded mark."""
        mold = str(mark.get("mold", "")).lower()
        for page in reversed(self.pours.values()):
            taken = any(o["mold"] == mold for o in page["outcomes"])
            named = mark.get("pour") in (None, page["pour"])
            if named and not taken and page["mix_t"] <= t and mold in (page.get("molds") or []):
                page["outcomes"].append({"mold": mold, "t": t} | {k: mark.get(k) for k in ("feel", "grade", "cause")})
                return


async def read_book(journal: Readable, since_t: float, until_t: float) -> Book:
    """The newest pours and loads that began between two times [unix s].  Raises JournalError."""
    book, logbook = Book(), Logbook(journal)
    found = logbook.effects(
        kind="finding", names=POUR_FINDINGS + LOAD_FINDINGS, since_t=since_t, until_t=until_t
    )  # fmt: skip
    async for told in found:
        book.see(told)
    for t, mark in await marks_that_stood(journal, since_t, until_t):
        if mark.get("verb") == "demolded":
            book.outcome(t, mark)
    book.retold.pours = dict(list(book.pours.items())[-MOST_PAGES:])
    book.loads = dict(list(book.loads.items())[-MOST_PAGES:])
    return book


def molds_of(bench: Bench, book: Book) -> list[Page]:
    """The shelf's molds with what became of their casts: counts by grade, causes, the quickest good demold [s]."""
    pages: list[Page] = []
    for mold in bench.molds:
        casts = [(p, o) for p in book.pours.values() for o in p["outcomes"] if o["mold"] == mold.id]
        good_s = [o["t"] - p["mix_t"] for p, o in casts if o["grade"] == "good"]
        causes = [o["cause"] for _, o in casts if o["cause"]]
        pages.append(
            {
                "id": mold.id,
                "casts": mold.casts_before + len(casts),
                "grades": {grade: sum(o["grade"] == grade for _, o in casts) for grade in ("good", "second", "scrap")},
                "causes": dict.fromkeys(causes),
                "best_demold_s": round(min(good_s), 1) if good_s else None,
                "last_t": max((o["t"] for _, o in casts), default=None),
            }
        )
        pages[-1]["causes"] = {cause: causes.count(cause) for cause in pages[-1]["causes"]}
    return pages


def lots_of(bench: Bench, book: Book) -> list[Page]:
    """The open lots with each pour's kick [s after the mix], oldest first, beside the label's pot life [s]."""
    pages: list[Page] = []
    for lot in bench.lots:
        pours = [p for p in book.pours.values() if base_of(p.get("lot")) == lot.id]
        kicks = [[p["mix_t"], round(p["kick"]["at"] - p["mix_t"], 1)] for p in pours if "kick" in p]
        pages.append({"id": lot.id, "pours": len(pours), "kicks": kicks, "pot_life_s": lot.label.pot_life_s})
    return pages
