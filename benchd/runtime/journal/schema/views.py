"""The views over the journal, for anybody's own queries: pours, loads, parts and readings by the minute, in real units.

1. They hold no data, so they are no migration: a journal that is opened for writing gets the views of this version in
   place of any others, and an older benchd passes them by.
2. Times are UTC as text ("2026-01-05 09:40:00") beside the unix seconds; pressures kPa gauge, temperatures C.
3. What was undone or refused is in none of them.  `tests/runtime/test_views.py` compares each with the casting book.
"""

from __future__ import annotations

import sqlite3
from collections.abc import Mapping

from benchd.core.casting import undo

_UNDOABLE = ", ".join(f"'{verb}'" for verb in (*undo.VERBS, "undo"))
_MARKS = f"""
    SELECT seq, came_t, min(came_t, coalesce(json_extract(mark, '$.at'), came_t)) AS t, verb, mark FROM (
        SELECT seq, came_t, mark, verb, lead(verb) OVER (ORDER BY came_t, seq) AS next FROM (
            SELECT seq, t AS came_t, json_extract(body, '$.mark') AS mark, json_extract(body, '$.mark.verb') AS verb
            FROM inputs WHERE kind = 'mark' AND NOT EXISTS (
                SELECT 1 FROM effects AS said WHERE said.kind = 'answer' AND said.seq = inputs.seq
                AND coalesce(json_extract(said.body, '$.id'), '') = coalesce(json_extract(inputs.body, '$.mark.id'), '')
                AND (NOT json_extract(said.body, '$.ok') OR json_extract(said.body, '$.same_as') IS NOT NULL)
            )
            UNION ALL
            SELECT seq, t, body, name FROM effects AS pressed WHERE kind = 'answer' AND json_extract(body, '$.ok')
            AND json_extract(body, '$.same_as') IS NULL
            AND NOT EXISTS (SELECT 1 FROM inputs WHERE inputs.seq = pressed.seq AND inputs.kind = 'mark')
        ) WHERE verb IN ({_UNDOABLE})
    ) WHERE verb <> 'undo' AND next IS NOT 'undo'
"""
"""Marks that were accepted and not undone, of those verbs that can be: casting/undo.py has the rule."""

_POURS = """
SELECT said.pour AS pour, json_extract(said.body, '$.number') AS number, said.cup AS cup,
    json_extract(said.body, '$.pot') AS pot, json_extract(said.body, '$.lot') AS lot,
    datetime(json_extract(said.body, '$.mix_t'), 'unixepoch') AS mixed_utc,
    json_extract(said.body, '$.mix_t') AS mix_t,
    json_extract(said.body, '$.inferred') AS inferred,
    json_extract(said.body, '$.a_g') AS a_g, json_extract(said.body, '$.b_g') AS b_g,
    json_extract(said.body, '$.molds') AS molds,
    round(json_extract(kick.body, '$.at') - json_extract(said.body, '$.mix_t'), 1) AS kick_s,
    json_extract(kick.body, '$.temp_c') AS kick_c, json_extract(kick.body, '$.basis') AS kick_basis,
    json_extract(peak.body, '$.temp_c') AS peak_c,
    datetime(ended.t, 'unixepoch') AS ended_utc, json_extract(ended.body, '$.why') AS ended
FROM effects AS said
LEFT JOIN effects AS kick ON kick.number = (
    SELECT number FROM effects WHERE pour = said.pour AND name = 'kicked' AND kind = 'finding'
    ORDER BY json_extract(body, '$.basis') = 'marked' DESC, number DESC LIMIT 1)
LEFT JOIN effects AS peak ON peak.number = (
    SELECT max(number) FROM effects WHERE pour = said.pour AND name = 'cup_peaked' AND kind = 'finding')
LEFT JOIN effects AS ended ON ended.number = (
    SELECT max(number) FROM effects WHERE pour = said.pour AND name = 'pour_ended' AND kind = 'finding')
WHERE said.number IN (
    SELECT max(number) FROM effects WHERE kind = 'finding' AND name IN ('pour_started', 'pour_revised') GROUP BY pour)
AND json_extract(ended.body, '$.why') IS NOT 'undone'
ORDER BY mix_t
"""

_LOADS = """
SELECT shut.load AS load, json_extract(shut.body, '$.number') AS number, shut.pot AS pot,
    json_extract(shut.body, '$.pours') AS pours,
    datetime(shut.t, 'unixepoch') AS closed_utc, shut.t AS closed_t,
    datetime(json_extract(up.body, '$.since'), 'unixepoch') AS at_floor_utc,
    json_extract(up.body, '$.since') AS at_floor_t,
    json_extract(margin.body, '$.margin_s') AS margin_s,
    json_extract(held.body, '$.min_kpa') AS least_kpa,
    datetime(held.t, 'unixepoch') AS held_utc,
    json_extract(leak.body, '$.verdict') AS leak, json_extract(leak.body, '$.kpa_per_min') AS leak_kpa_per_min,
    json_extract(leak.body, '$.hole_mm') AS leak_hole_mm,
    json_extract(vent.body, '$.vent_s') AS vent_s,
    datetime(opened.t, 'unixepoch') AS opened_utc, round((opened.t - shut.t) / 60.0, 1) AS closed_min
FROM effects AS shut
LEFT JOIN effects AS up ON up.number = (
    SELECT min(number) FROM effects WHERE load = shut.load AND name = 'pot_at_pressure' AND kind = 'finding')
LEFT JOIN effects AS margin ON margin.number = (
    SELECT max(number) FROM effects WHERE load = shut.load AND name = 'pot_at_pressure' AND kind = 'finding')
LEFT JOIN effects AS held ON held.number = (
    SELECT max(number) FROM effects WHERE load = shut.load AND name = 'hold_complete' AND kind = 'finding')
LEFT JOIN effects AS leak ON leak.number = (
    SELECT max(number) FROM effects WHERE load = shut.load AND name = 'pot_leaking' AND kind = 'finding'
    AND json_extract(body, '$.active'))
LEFT JOIN effects AS vent ON vent.number = (
    SELECT max(number) FROM effects WHERE load = shut.load AND name = 'pot_vented' AND kind = 'finding')
LEFT JOIN effects AS opened ON opened.number = (
    SELECT max(number) FROM effects WHERE load = shut.load AND name = 'load_opened' AND kind = 'finding')
WHERE shut.number IN (SELECT max(number) FROM effects WHERE kind = 'finding' AND name = 'load_closed' GROUP BY load)
ORDER BY closed_t
"""

_PARTS = f"""
WITH casts AS (
    SELECT pours.pour, pours.number, pours.lot, pours.mix_t, lower(each.value) AS mold,
        lead(pours.mix_t) OVER (PARTITION BY lower(each.value) ORDER BY pours.mix_t) AS next_t
    FROM pours, json_each(pours.molds) AS each
),
pulled AS (SELECT t, mark, row_number() OVER (ORDER BY t, seq) AS place FROM ({_MARKS}) WHERE verb = 'demolded')
SELECT casts.mold AS mold, casts.pour AS pour, casts.number AS number, casts.lot AS lot,
    datetime(casts.mix_t, 'unixepoch') AS mixed_utc, casts.mix_t AS mix_t,
    datetime(pulled.t, 'unixepoch') AS pulled_utc, round((pulled.t - casts.mix_t) / 60.0, 1) AS pulled_min,
    json_extract(pulled.mark, '$.feel') AS feel, json_extract(pulled.mark, '$.grade') AS grade,
    json_extract(pulled.mark, '$.cause') AS cause
FROM casts LEFT JOIN pulled ON pulled.place = (
    SELECT min(place) FROM pulled AS later WHERE lower(json_extract(later.mark, '$.mold')) = casts.mold
    AND (json_extract(later.mark, '$.pour') IS NULL OR json_extract(later.mark, '$.pour') = casts.pour)
    AND later.t >= casts.mix_t AND (casts.next_t IS NULL OR later.t < casts.next_t))
ORDER BY casts.mix_t, pulled.t
"""

_READINGS = """
SELECT channels.name AS channel, datetime(60 * minute, 'unixepoch') AS minute_utc, 60 * minute AS minute_t, n,
    lo / 100.0 AS lowest, mean / 100.0 AS mean, hi / 100.0 AS highest
FROM (SELECT channel, minute, n, lo, mean, hi FROM minutes
    UNION ALL SELECT channel, minute, n, lo, mean, hi FROM fresh_minutes) AS both
JOIN channels ON channels.id = both.channel
ORDER BY minute, channels.name
"""

VIEWS: Mapping[str, str] = {"pours": _POURS, "loads": _LOADS, "parts": _PARTS, "readings_by_minute": _READINGS}
"""View -> its query, in the order they are made: `parts` reads `pours`."""


def renew(db: sqlite3.Connection) -> None:
    """Give the file these views, in one transaction; nothing is written where it has them already."""
    wanted = {name: f"CREATE VIEW {name} AS {query.strip()}" for name, query in VIEWS.items()}
    found = dict(db.execute("SELECT name, sql FROM sqlite_master WHERE type = 'view'").fetchall())
    if found == wanted:
        return
    dropped = "".join(f"DROP VIEW {name};\n" for name in reversed(found))
    made = "".join(f"{sql};\n" for sql in wanted.values())
    try:
        db.executescript(f"BEGIN IMMEDIATE;\n{dropped}{made}COMMIT;")
    except sqlite3.Error:
        if db.in_transaction:
            db.rollback()
        raise
