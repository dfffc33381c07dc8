"""What does the page know of the day's plan, and how is a plan handed over?  GET and PUT /api/v0/plan.

GET answers {"v": 0, "now": unix s, "sheet": SHEET or null}.

PUT takes one of
    {"molds": ["M01", "M02x2"], "lot"?, "temp_c"?, "loads"?, "dry"?: true}     plan these, and keep unless dry
    {"sheet": SHEET}                                                           keep this one (`benchd plan --keep`)
    {"sheet": null}                                                            put the sheet away
and answers as GET does, with "ok": true; or 400/409 {"ok": false, "field", "why"} with the remedy in `why`.

SHEET (times unix s, durations s, all durations of a clock counted from first contact of A with B):
    {"id": "sheet-1767605400", "made_t": 1767605400.0, "why": "planned" | "room moved from 21.5 to 24.1 C" ...,
     "lot": "r-07", "resin": "Fast white", "temp_c": 21.5, "temp_basis": "measured" | "typed" | "label",
     "optimal": true,                  false: the search ended before it could prove that nothing is better
     "loads_at_least": 2,              no plan of these molds has fewer
     "say": "Two loads, seven molds. First: Keeper arms, ... Thirty-nine seconds to spare.",
     "loads": [LOAD, ...],             in order of the day, mixed ones included
     "left_out": [{"mold": "m02", "code": "M02", "name": "Keeper arms", "why": "would leave 8 s in load 3, 20 needed"}],
     "notes": ["load 3: the batch is 61 g, below 85 g: hard to proportion ..."]}

LOAD:
    {"number": 1, "state": "mixed" | "next" | "waiting", "pour": "cup-1-1767605400" or null (the pour that took it),
     "pot": "barrel", "cup": "cup-1" or null, "lot": "r-07",
     "molds": [{"mold": "m02", "code": "M02", "name": "Keeper arms", "pour_s": 15.0, "filled_s": 45.0,
                "warm_c": 40.0 or null, "due_t": 1767606690.0, "pull": "green" | "hard"}],   in pouring order
     "batch_g": 303.0, "a_g": 159.5, "b_g": 143.5, "small": false,
     "temp_c": 21.5, "mix_s": 30.0, "pour_s": 59.0 (all of them), "lid_s": 25.0, "fill_s": 30.0,
     "at_pressure_s": 144.0, "kick_early_s": 157.9, "kick_s": 183.1, "kick_of": "cup" or a mold's code,
     "kick_basis": "label" | "typed" | "learned",
     "margin_s": 39.1,                 likely kick minus at pressure
     "mix_t": 1767605400.0, "hold_until_t": ..., "open_t": ...}      when it may begin at the earliest, by this plan
"""
