"""The shop's books, read from its database: odd lots, recall, gaskets, scrap, lent molds, faults of the records."""

from __future__ import annotations

from typing import Any

from benchd.workshop.database.contract import Database

_QUERIES = {
    "odd_lots": "SELECT lot, benches, odd_benches, pours, odd, last_t FROM odd_lots ORDER BY last_t DESC LIMIT 200",
    "lots": "SELECT lot, bench, pours, kick_s, odd, last_t FROM lots ORDER BY lot, bench LIMIT 200",
    "gaskets": "SELECT bench, pot, loads, leaky, kpa_per_min, last_leak_t FROM gaskets "
    "ORDER BY leaky DESC, bench LIMIT 200",
    "scrap": "SELECT bench, cause, parts, seconds, scrap, last_t FROM scrap ORDER BY scrap DESC, parts DESC LIMIT 200",
    "lent_molds": "SELECT mold, bench, casts, last_t FROM lent_molds ORDER BY mold, last_t DESC LIMIT 200",
    "twins": "SELECT bench, journal, other, until_t FROM twins ORDER BY until_t DESC LIMIT 50",
    "clocks": "SELECT bench, skew_s, received_t FROM journals WHERE abs(skew_s) > 120 ORDER BY bench LIMIT 50",
    "contested": "SELECT bench, count(*) AS times FROM contested GROUP BY bench ORDER BY bench LIMIT 50",
    "refused": "SELECT topic, why, count(*) AS times FROM refused GROUP BY topic, why ORDER BY 3 DESC LIMIT 50",
}
_RECALL = """
SELECT bench, mold, pour, mix_t, pulled_t, grade, cause FROM parts WHERE lot = :lot ORDER BY mix_t DESC, bench, mold
LIMIT 2000
"""


def books(database: Database) -> dict[str, Any]:
    """All pages of the books.  Raises DatabaseError."""
    return {name: [_plain(row) for row in database.rows(query)] for name, query in _QUERIES.items()}


def recall(database: Database, lot: str) -> list[dict[str, Any]]:
    """Every part that was cast from a lot, newest first.  Raises DatabaseError."""
    return [_plain(row) for row in database.rows(_RECALL, {"lot": lot.lower()})]


def _plain(row: dict[str, Any]) -> dict[str, Any]:
    """Numbers as JSON has them: PostgreSQL's sums and means come as Decimal."""
    return {key: value if value is None or isinstance(value, str | int) else float(value) for key, value in row.items()}
