"""Writes batches into PostgreSQL: COPY into a temporary table, then INSERT of what is new, in one transaction.

Several gatherers may write at once: rows are inserted in the order of their key, so that two of them wait for one
another at most, and never in a circle.  Synchronous: call it in a thread, or where waiting is all right.
"""

from __future__ import annotations

import contextlib
from collections.abc import Iterator, Mapping, Sequence
from typing import Any

import psycopg
from psycopg import sql

from benchd.workshop.database.contract import DatabaseError, Unreachable
from benchd.workshop.database.schema import MIGRATIONS
from benchd.workshop.database.views import VIEWS, in_postgres
from benchd.workshop.incoming import MINUTE_COLUMNS, RECORD_COLUMNS, Batch, RecordRow, Refusal

LOCK = 0x62656E63
"""The advisory lock under which one gatherer at a time migrates."""
CONNECT_S = 5
STATEMENT_MS = 60_000
KEY = "shop, bench, journal, number"

_TEMPORARY = """
CREATE TEMP TABLE incoming (LIKE records INCLUDING DEFAULTS) ON COMMIT DELETE ROWS;
CREATE TEMP TABLE incoming_minutes (LIKE minutes INCLUDING DEFAULTS) ON COMMIT DELETE ROWS;
"""
_COLUMNS = ", ".join(RECORD_COLUMNS)
_RECORDS = f"""
INSERT INTO records ({_COLUMNS}) SELECT {_COLUMNS} FROM incoming ORDER BY {KEY} ON CONFLICT ({KEY}) DO NOTHING
"""
_CONTESTED = f"""
INSERT INTO contested ({KEY}, received_t, name, t, body)
SELECT new.shop, new.bench, new.journal, new.number, new.received_t, new.name, new.t, new.body
FROM incoming AS new JOIN records AS old USING (shop, bench, journal, number)
WHERE (new.kind, new.name, new.t, new.body) IS DISTINCT FROM (old.kind, old.name, old.t, old.body)
ORDER BY {KEY} ON CONFLICT DO NOTHING
"""
_MINUTES = f"""
INSERT INTO minutes ({", ".join(MINUTE_COLUMNS)}) SELECT {", ".join(MINUTE_COLUMNS)} FROM incoming_minutes
ORDER BY shop, bench, channel, minute, journal ON CONFLICT (shop, bench, channel, minute, journal)
DO UPDATE SET n = excluded.n, lo = excluded.lo, mean = excluded.mean, hi = excluded.hi WHERE excluded.n > minutes.n
"""
_JOURNALS = """
INSERT INTO journals AS known (shop, bench, journal, last_number, last_t, received_t, skew_s)
SELECT DISTINCT ON (shop, bench, journal) shop, bench, journal, number, t, received_t, sent_t - received_t FROM incoming
ORDER BY shop, bench, journal, number DESC
ON CONFLICT (shop, bench, journal) DO UPDATE SET last_number = excluded.last_number, last_t = excluded.last_t,
    received_t = excluded.received_t, skew_s = excluded.skew_s WHERE excluded.last_number >= known.last_number
"""
_REFUSED = "INSERT INTO refused (received_t, topic, why, payload) VALUES (%s, %s, %s, %s)"


BAD_DATA = (psycopg.DataError, psycopg.errors.ProgramLimitExceeded, psycopg.errors.StatementTooComplex)


class Postgres:
    """One connection, opened again after it was lost.  `conflicts`: rows that went to `contested`."""

    def __init__(self, dsn: str, application: str = "benchd") -> None:
        self._dsn, self._application = dsn, application
        self._db: psycopg.Connection[tuple[Any, ...]] | None = None
        self.conflicts = 0

    def prepare(self) -> None:
        """Bring the tables and views up to date.  Raises DatabaseError."""
        with self._answering() as db, db.transaction():
            db.execute("SELECT pg_advisory_xact_lock(%s)", (LOCK,))
            db.execute("CREATE TABLE IF NOT EXISTS migrations (version integer PRIMARY KEY, at timestamptz NOT NULL)")
            version = _one(db, "SELECT coalesce(max(version), 0) FROM migrations")
            for step in range(version, len(MIGRATIONS)):
                db.execute(MIGRATIONS[step])
                db.execute("INSERT INTO migrations VALUES (%s, now())", (step + 1,))
            if version <= len(MIGRATIONS):  # a newer one's views stay
                _renew_views(db)
        self.close()  # the next connection finds the tables it makes its temporary ones by

    def write(self, batch: Batch) -> None:
        """Commit all of it.  What the database will not take on its own is kept as refused.

        Raises Unreachable, and DatabaseError where waiting would not help.
        """
        try:
            self._write(batch)
        except BAD_DATA:
            for one in _apart(batch):
                self._write_alone(one)

    def _write_alone(self, batch: Batch) -> None:
        try:
            self._write(batch)
        except BAD_DATA as error:
            row = (batch.records or list(batch.minutes.values()))[0]
            with self._answering() as db, db.transaction():
                why = f"the database refuses it: {str(error).splitlines()[0]}"[:200]
                db.execute(_REFUSED, (row[9] if batch.records else 0.0, "/".join(row[:2]), why, ascii(row)[:4000]))

    def _write(self, batch: Batch) -> None:
        with self._answering() as db, db.transaction():
            if batch.records:
                self._write_records(db, batch.records)
            if batch.minutes:
                _copied(db, "incoming_minutes", MINUTE_COLUMNS, list(batch.minutes.values()))
                db.execute(_MINUTES)
            if batch.refused:
                with db.cursor() as cursor:
                    cursor.executemany(_REFUSED, [_refused_row(refusal) for refusal in batch.refused])

    def _write_records(self, db: psycopg.Connection[Any], records: Sequence[RecordRow]) -> None:
        _copied(db, "incoming", RECORD_COLUMNS, records)
        if db.execute(_RECORDS).rowcount < len(records):  # some came before: the same, or another journal's
            self.conflicts += max(0, db.execute(_CONTESTED).rowcount)
        db.execute(_JOURNALS)

    def rows(self, query: str, values: Mapping[str, Any] | None = None) -> list[dict[str, Any]]:
        """The rows of a query whose placeholders are written :name.  Raises Unreachable, DatabaseError."""
        text = query
        for name in values or ():
            text = text.replace(f":{name}", f"%({name})s")
        with self._answering() as db:
            cursor = db.execute(text.encode(), values)
            names = [column.name for column in cursor.description or ()]
            found = [dict(zip(names, row, strict=True)) for row in cursor.fetchall()]
            db.commit()
            return found

    def close(self) -> None:
        """Close the connection; may be called twice."""
        db, self._db = self._db, None
        if db is not None:
            db.close()

    def _is_lost(self) -> bool:
        return self._db is None or self._db.closed or self._db.broken

    @contextlib.contextmanager
    def _answering(self) -> Iterator[psycopg.Connection[tuple[Any, ...]]]:
        try:
            db = self._connection()
            yield db
        except BAD_DATA:
            raise
        except psycopg.OperationalError as error:
            self.close()
            raise Unreachable(f"the database does not answer: {str(error).splitlines()[0]}") from error
        except psycopg.Error as error:
            self.close()
            raise DatabaseError(f"the database refuses: {str(error).splitlines()[0]}; {_remedy(error)}") from error

    def _connection(self) -> psycopg.Connection[tuple[Any, ...]]:
        if self._db is None or self._is_lost():
            self.close()
            options = f"-c statement_timeout={STATEMENT_MS} -c timezone=UTC"
            self._db = psycopg.connect(
                self._dsn, connect_timeout=CONNECT_S, application_name=self._application, options=options,
                keepalives_idle=10, keepalives_interval=5, keepalives_count=3, tcp_user_timeout=20_000,
            )  # fmt: skip
            if _one(self._db, "SELECT count(*) FROM pg_class WHERE oid = to_regclass('records')"):
                self._db.execute(_TEMPORARY)
            self._db.commit()
        return self._db


def _one(db: psycopg.Connection[Any], query: str) -> int:
    row = db.execute(query.encode()).fetchone()
    return int(row[0]) if row is not None else 0


def _copied(db: psycopg.Connection[Any], table: str, columns: Sequence[str], rows: Sequence[Sequence[Any]]) -> None:
    names = sql.SQL(", ").join(map(sql.Identifier, columns))
    with (
        db.cursor() as cursor,
        cursor.copy(sql.SQL("COPY {} ({}) FROM STDIN").format(sql.Identifier(table), names)) as to,
    ):
        for row in rows:
            to.write_row(row)


def _renew_views(db: psycopg.Connection[Any]) -> None:
    for name in reversed(list(VIEWS)):
        db.execute(sql.SQL("DROP VIEW IF EXISTS {}").format(sql.Identifier(name)))
    for name, query in VIEWS.items():
        db.execute(f"CREATE VIEW {name} AS {in_postgres(query)}".encode())


def _apart(batch: Batch) -> Iterator[Batch]:
    """The batch's rows, each as a batch of its own."""
    for record in batch.records:
        yield Batch(records=[record])
    for key, minute in batch.minutes.items():
        yield Batch(minutes={key: minute})
    if batch.refused:
        yield Batch(refused=batch.refused)


def _refused_row(refusal: Refusal) -> tuple[Any, ...]:
    arrival = refusal.arrival
    topic, why = (ascii(text)[1:-1] for text in (arrival.topic[:200], refusal.why))
    return arrival.received_t, topic, why, ascii(arrival.payload[:2000])


def _remedy(error: psycopg.Error) -> str:
    if isinstance(error, psycopg.errors.InsufficientPrivilege):
        return "give its user the rights that config/README.md of the workshop names"
    if isinstance(error, psycopg.errors.UndefinedTable | psycopg.errors.UndefinedColumn):
        return "another version's tables: start `benchd gather` of this version once, which brings them up to date"
    return "see the server's log"
