"""The views over the shop's database, for anybody's own queries; what they say is in README.md beside this file.

One text serves both databases: {each_mold} and {utc:COLUMN} stand for what they write differently.
"""

from __future__ import annotations

import re
from collections.abc import Mapping

_MARKS = """
SELECT shop, bench, journal, number, t, name, mold, pour, body FROM (
    SELECT records.*, lead(name) OVER (PARTITION BY shop, bench, journal ORDER BY number) AS next
    FROM records WHERE kind = 'mark' AND name IN ('mix', 'poured', 'demolded', 'note', 'undo')) AS taken
WHERE name <> 'undo' AND coalesce(next, '') <> 'undo'
"""

_POURS = """
SELECT said.shop, said.bench, said.journal, said.pour, said.cup, lower(said.body ->> 'lot') AS lot,
    CAST(said.body ->> 'number' AS integer) AS number, CAST(said.body ->> 'mix_t' AS double precision) AS mix_t,
    {utc:CAST(said.body ->> 'mix_t' AS double precision)} AS mixed_at, said.body -> 'molds' AS molds,
    kick.t AS kick_t, kick.at_t - CAST(said.body ->> 'mix_t' AS double precision) AS kick_s,
    coalesce(odd.times, 0) AS odd
FROM (SELECT records.*, row_number() OVER (PARTITION BY shop, bench, journal, pour ORDER BY number DESC) AS newest
    FROM records WHERE name IN ('pour_started', 'pour_revised')) AS said
LEFT JOIN (SELECT shop, bench, journal, pour, t, CAST(body ->> 'at' AS double precision) AS at_t,
    row_number() OVER (PARTITION BY shop, bench, journal, pour
        ORDER BY CASE WHEN body ->> 'basis' = 'marked' THEN 0 ELSE 1 END, number DESC) AS best
    FROM records WHERE name = 'kicked') AS kick
    ON (kick.shop, kick.bench, kick.journal, kick.pour) = (said.shop, said.bench, said.journal, said.pour)
    AND kick.best = 1
LEFT JOIN (SELECT shop, bench, journal, pour, count(*) AS times FROM records
    WHERE name IN ('cup_odd', 'kick_overdue', 'no_cure', 'label_doubtful') GROUP BY shop, bench, journal, pour) AS odd
    ON (odd.shop, odd.bench, odd.journal, odd.pour) = (said.shop, said.bench, said.journal, said.pour)
WHERE said.newest = 1 AND NOT EXISTS (SELECT 1 FROM records AS ended WHERE ended.name = 'pour_ended'
    AND (ended.shop, ended.bench, ended.journal, ended.pour) = (said.shop, said.bench, said.journal, said.pour)
    AND ended.body ->> 'why' = 'undone')
"""

_LOADS = """
SELECT shut.shop, shut.bench, shut.journal, shut.load, shut.pot, shut.t AS closed_t, {utc:shut.t} AS closed_at,
    CAST(held.body ->> 'min_kpa' AS double precision) AS least_kpa,
    CAST(up.body ->> 'margin_s' AS double precision) AS margin_s,
    leak.kpa_per_min AS leak_kpa_per_min, coalesce(leak.times, 0) AS leaks
FROM (SELECT records.*, row_number() OVER (PARTITION BY shop, bench, journal, load ORDER BY number DESC) AS newest
    FROM records WHERE name = 'load_closed') AS shut
LEFT JOIN (SELECT records.*, row_number() OVER (PARTITION BY shop, bench, journal, load ORDER BY number DESC) AS newest
    FROM records WHERE name = 'hold_complete') AS held
    ON (held.shop, held.bench, held.journal, held.load) = (shut.shop, shut.bench, shut.journal, shut.load)
    AND held.newest = 1
LEFT JOIN (SELECT records.*, row_number() OVER (PARTITION BY shop, bench, journal, load ORDER BY number DESC) AS newest
    FROM records WHERE name = 'pot_at_pressure') AS up
    ON (up.shop, up.bench, up.journal, up.load) = (shut.shop, shut.bench, shut.journal, shut.load) AND up.newest = 1
LEFT JOIN (SELECT shop, bench, journal, load, max(CAST(body ->> 'kpa_per_min' AS double precision)) AS kpa_per_min,
    count(*) AS times FROM records WHERE name IN ('pot_leaking', 'load_leaked') GROUP BY shop, bench, journal, load)
    AS leak ON (leak.shop, leak.bench, leak.journal, leak.load) = (shut.shop, shut.bench, shut.journal, shut.load)
WHERE shut.newest = 1
"""

_PARTS = """
SELECT shop, bench, journal, mold, pour, lot, mix_t, {utc:mix_t} AS mixed_at, pulled_t, feel, grade, cause FROM (
    SELECT cast_.shop, cast_.bench, cast_.journal, cast_.mold, cast_.pour, cast_.lot, cast_.mix_t, pulled.t AS pulled_t,
        pulled.body ->> 'feel' AS feel, pulled.body ->> 'grade' AS grade, pulled.body ->> 'cause' AS cause,
        row_number() OVER (PARTITION BY cast_.shop, cast_.bench, cast_.journal, cast_.mold, cast_.pour
            ORDER BY pulled.number) AS place
    FROM (SELECT pours.*, lower(each.value) AS mold, lead(mix_t) OVER (
            PARTITION BY shop, bench, journal, lower(each.value) ORDER BY mix_t) AS next_t
        FROM pours {each_mold}) AS cast_
    LEFT JOIN marks AS pulled ON pulled.name = 'demolded' AND pulled.mold = cast_.mold
        AND (pulled.shop, pulled.bench, pulled.journal) = (cast_.shop, cast_.bench, cast_.journal)
        AND (pulled.pour IS NULL OR pulled.pour = cast_.pour)
        AND pulled.t >= cast_.mix_t AND (cast_.next_t IS NULL OR pulled.t < cast_.next_t)) AS found
WHERE place = 1
"""

_LOTS = """
SELECT pours.shop, pours.lot, pours.bench, count(*) AS pours, avg(pours.kick_s) AS kick_s,
    sum(CASE WHEN pours.odd > 0 THEN 1 ELSE 0 END) AS odd, min(pours.mix_t) AS first_t, max(pours.mix_t) AS last_t
FROM pours WHERE pours.lot IS NOT NULL GROUP BY pours.shop, pours.lot, pours.bench
"""

_ODD_LOTS = """
SELECT shop, lot, count(*) AS benches, sum(pours) AS pours, sum(odd) AS odd,
    sum(CASE WHEN odd > 0 THEN 1 ELSE 0 END) AS odd_benches, max(last_t) AS last_t
FROM lots GROUP BY shop, lot HAVING sum(CASE WHEN odd > 0 THEN 1 ELSE 0 END) >= 2
"""

_GASKETS = """
SELECT shop, bench, pot, count(*) AS loads, sum(CASE WHEN leaks > 0 THEN 1 ELSE 0 END) AS leaky,
    avg(leak_kpa_per_min) AS kpa_per_min, max(CASE WHEN leaks > 0 THEN closed_t END) AS last_leak_t
FROM loads GROUP BY shop, bench, pot
"""

_SCRAP = """
SELECT shop, bench, coalesce(cause, 'not said') AS cause, count(*) AS parts,
    sum(CASE WHEN grade = 'second' THEN 1 ELSE 0 END) AS seconds, sum(CASE WHEN grade = 'scrap' THEN 1 ELSE 0 END)
    AS scrap, max(pulled_t) AS last_t
FROM parts WHERE grade IN ('second', 'scrap') GROUP BY shop, bench, coalesce(cause, 'not said')
"""

_LENT_MOLDS = """
SELECT each.shop, each.mold, each.bench, each.casts, each.last_t FROM (
    SELECT shop, mold, bench, count(*) AS casts, max(mix_t) AS last_t,
        count(*) OVER (PARTITION BY shop, mold) AS benches
    FROM parts GROUP BY shop, mold, bench) AS each
WHERE each.benches > 1
"""

_MISSING = """
SELECT shop, bench, journal, number, after, received_t FROM records WHERE after > 0
AND NOT EXISTS (SELECT 1 FROM records AS before WHERE before.shop = records.shop AND before.bench = records.bench
    AND before.journal = records.journal AND before.number = records.after)
AND NOT EXISTS (SELECT 1 FROM records AS before WHERE before.shop = records.shop AND before.bench = records.bench
    AND before.number = records.after)
"""

_TWINS = """
SELECT one.shop, one.bench, one.journal, other.journal AS other, least_(one.received_t, other.received_t) AS until_t
FROM journals AS one JOIN journals AS other ON other.shop = one.shop AND other.bench = one.bench
    AND other.journal > one.journal AND abs(other.received_t - one.received_t) < 600
"""

VIEWS: Mapping[str, str] = {
    "marks": _MARKS, "pours": _POURS, "loads": _LOADS, "parts": _PARTS, "lots": _LOTS, "odd_lots": _ODD_LOTS,
    "gaskets": _GASKETS, "scrap": _SCRAP, "lent_molds": _LENT_MOLDS, "missing": _MISSING, "twins": _TWINS,
}  # fmt: skip
"""View -> its query, each after those it reads."""

_UTC = re.compile(r"\{utc:(.*?)\} AS")


def in_postgres(query: str) -> str:
    """A view's query as PostgreSQL reads it."""
    each = "CROSS JOIN LATERAL jsonb_array_elements_text(pours.molds) AS each(value)"
    query = query.replace("{each_mold}", each).replace("least_(", "least(")
    return _UTC.sub(r"to_timestamp(\1) AS", query)


def in_sqlite(query: str) -> str:
    """A view's query as SQLite reads it."""
    query = query.replace("{each_mold}", "JOIN json_each(pours.molds) AS each").replace("least_(", "min(")
    return _UTC.sub(r"datetime(\1, 'unixepoch') AS", query)
