"""Serves the day's plan: GET and PUT /api/v0/plan.

GET answers {"v": 0, "now": unix s, "sheet": SHEET or null}.

PUT takes one of
    {"molds": ["M01", "M02x2"], "lot"?, "temp_c"?, "loads"?, "pours"?: {"M02": 15}, "dry"?: true}
                       plan these (at the room's temperature unless temp_c is given), and keep the sheet unless dry
    {"sheet": null}    put the sheet away
and answers {"v", "now", "ok": true, "sheet"}, or {"ok": false, "field", "why"}: 400 not understood, 409 cannot be
planned (the remedy is in `why`), 503 it cannot be stored.

SHEET (times unix s, durations s, all durations of a clock counted from first contact of A with B):
    {"id": "sheet-1767605400", "made_t": 1767605400.0, "why": "planned" | "room moved from 21.5 to 24.1 C" ...,
     "lot": "r-07", "resin": "Fast white", "temp_c": 21.5, "temp_basis": "measured" | "typed" | "label",
     "optimal": true,                  false: the search ended before it could prove that nothing is better
     "loads_at_least": 2,              no plan of these molds has fewer
     "say": "Two loads, seven molds. First: Keeper arms, ... Thirty-nine seconds to spare.",
     "loads": [LOAD, ...],             in order of the day, mixed ones included
     "left_out": [{"mold": "m02", "code": "M02", "name": "Keeper arms", "why": "would leave 8 s in load 3, 20 needed"}],
     "notes": ["load 3: the batch is 61 g, below 85 g: hard to proportion ..."],
     "most_loads": 2 or null, "pours_s": {"M02": 15.0}, "named_lot": "r-07" or null,       as asked for
     "again": [[1767607000.0, "m04"]]}              scrap that was planned again: when it was marked, mold

LOAD:
    {"number": 1, "state": "mixed" | "next" | "waiting", "pour": "cup-1-1767605400" or null (the pour that took it),
     "pot": "barrel", "cup": "cup-1" or null, "lot": "r-07",
     "molds": [{"mold": "m02", "code": "M02", "name": "Keeper arms", "pour_s": 15.0, "filled_s": 45.0,
                "warm_c": 40.0 or null, "due_t": 1767606690.0, "pull": "green" | "hard",
                "reserve": false}],    in pouring order; a reserve mold takes the surplus of a batch too small alone
     "resin": "Fast white",            the load's own lot's, as are its grams and its kick
     "batch_g": 303.0, "a_g": 159.5, "b_g": 143.5, "small": false,
     "temp_c": 21.5, "mix_s": 30.0, "pour_s": 59.0 (all of them), "lid_s": 25.0, "fill_s": 30.0,
     "at_pressure_s": 144.0, "kick_early_s": 157.9, "kick_s": 183.1, "kick_of": "cup" or a mold's code,
     "kick_basis": "label" | "typed" | "learned" | "drift",
     "margin_s": 39.1,                 likely kick minus at pressure
     "mix_t": 1767605400.0, "hold_until_t": ..., "open_t": ...,      when it may begin at the earliest, by this plan
     "steps": [{"id": "warm-m02", "what": "weigh" | "tank" | "dry" | "spray" | "talc" | "warm", "mold", "code", "name",
                "t": 1767605000.0, "hands_s": 30.0, "for_s": 900.0, "temp_c": 40.0 or null, "done": false}],
     "prep_late_s": 0.0}               by how much its steps are more than the wait before it
"""

from __future__ import annotations

import math
from collections.abc import Callable, Mapping
from typing import Any

from starlette.requests import Request
from starlette.responses import JSONResponse, Response
from starlette.routing import Route

from benchd.errors import DecodeError
from benchd.page.api import read_body
from benchd.page.body import NotUnderstood, json_object
from benchd.runtime.watch.run_sheet import SheetKeeper
from benchd.shelf.plan.sheet import Sheet, sheet_body
from benchd.shelf.plan.wish import CannotPlan, Wish

PATH = "/api/v0/plan"
MOST_WORDS = 40
KEYS = ("molds", "lot", "temp_c", "loads", "pours", "dry", "sheet")


def plan_routes(keeper: SheetKeeper, now: Callable[[], float]) -> list[Route]:
    """The two routes, over the sheet's keeper and bench time."""

    async def shown(request: Request) -> Response:
        return JSONResponse({"v": 0, "now": round(now(), 1), "sheet": _body(keeper.sheet)})

    async def handed(request: Request) -> Response:
        try:
            body = _parsed(await read_body(request))
            if "sheet" in body:
                await keeper.keep(None)
                sheet = None
            else:
                sheet = await keeper.make(_wish(body, keeper.room_c(), now()))
                if not body.get("dry", False):
                    await keeper.keep(sheet)
        except NotUnderstood as error:
            return _refused(error.field, str(error), 400)
        except DecodeError as error:
            return _refused("body", str(error), 400)
        except CannotPlan as error:
            return _refused(error.field, str(error), 409)
        except OSError as error:
            return _refused("sheet", f"it cannot be stored: {error.strerror or error}", 503)
        return JSONResponse({"v": 0, "now": round(now(), 1), "ok": True, "sheet": _body(sheet)})

    return [Route(PATH, shown), Route(PATH, handed, methods=["PUT"])]


def _body(sheet: Sheet | None) -> dict[str, Any] | None:
    return None if sheet is None else sheet_body(sheet)


def _refused(field: str, why: str, status: int) -> JSONResponse:
    return JSONResponse({"ok": False, "field": field, "why": why}, status_code=status)


def _parsed(body: bytes) -> Mapping[str, Any]:
    """The body as a JSON object with known keys of the right types.  Raises NotUnderstood."""
    parsed = json_object(body, KEYS)
    if "sheet" in parsed and (parsed["sheet"] is not None or len(parsed) > 1):
        raise NotUnderstood("sheet", "only null, alone: it puts the sheet away; name molds to plan")
    if "sheet" not in parsed and "molds" not in parsed:
        raise NotUnderstood("molds", "is missing: a list of mold codes")
    if not isinstance(parsed.get("dry", False), bool):
        raise NotUnderstood("dry", "must be true or false")
    return parsed


def _wish(body: Mapping[str, Any], room_c: float | None, now_t: float) -> Wish:
    molds, pours = body["molds"], body.get("pours") or {}
    if not isinstance(molds, list) or not all(isinstance(word, str) for word in molds) or len(molds) > MOST_WORDS:
        raise NotUnderstood("molds", f"must be a list of at most {MOST_WORDS} mold codes")
    if not isinstance(pours, dict) or len(pours) > MOST_WORDS:
        raise NotUnderstood("pours", "must be seconds by mold code")
    lot, loads = body.get("lot"), body.get("loads")
    if lot is not None and not isinstance(lot, str):
        raise NotUnderstood("lot", "must be a lot's code")
    if loads is not None and (isinstance(loads, bool) or not isinstance(loads, int)):
        raise NotUnderstood("loads", "must be a whole number")
    typed_c = None if body.get("temp_c") is None else _number("temp_c", body["temp_c"])
    return Wish(
        molds=tuple(molds), lot=lot, temp_c=room_c if typed_c is None else typed_c, loads=loads, start_t=now_t,
        temp_basis="measured" if typed_c is None else "typed",
        pours_s={code: _number("pours", seconds) for code, seconds in pours.items()},
    )  # fmt: skip


def _number(field: str, value: object) -> float:
    if isinstance(value, bool) or not isinstance(value, int | float) or not math.isfinite(value):
        raise NotUnderstood(field, "must be a number")
    return float(value)
