"""The tables of the shop's database, and their migrations: plain PostgreSQL; SQLite for the demo alone.

A record is unique by (shop, bench, journal, number): a journal's id is made with it, so numbers are never used twice.
What comes again changes nothing.  What comes again and says something else goes to `contested`: two journals of one
id, a copied SD card.  Times are unix seconds; pressures kPa gauge, temperatures C.

Migrations are appended, never edited.  An older gatherer works on beside a newer one as long as a migration only adds:
every statement names its columns.  Views hold no data and are made anew by each version (views.py).
"""

from __future__ import annotations

_FIRST = """
CREATE TABLE records (
    shop text NOT NULL, bench text NOT NULL, journal text NOT NULL, number bigint NOT NULL, after bigint NOT NULL,
    kind text NOT NULL, name text NOT NULL, t double precision NOT NULL, sent_t double precision NOT NULL,
    received_t double precision NOT NULL, pot text, load text, cup text, pour text, mold text, channel text,
    body jsonb NOT NULL, PRIMARY KEY (shop, bench, journal, number));
CREATE INDEX records_named ON records (shop, name, t);
CREATE INDEX records_received ON records (received_t);
CREATE TABLE minutes (
    shop text NOT NULL, bench text NOT NULL, journal text NOT NULL, channel text NOT NULL, minute bigint NOT NULL,
    n integer NOT NULL, lo real NOT NULL, mean real NOT NULL, hi real NOT NULL,
    PRIMARY KEY (shop, bench, channel, minute, journal));
CREATE TABLE journals (
    shop text NOT NULL, bench text NOT NULL, journal text NOT NULL, last_number bigint NOT NULL,
    last_t double precision NOT NULL, received_t double precision NOT NULL, skew_s double precision NOT NULL,
    PRIMARY KEY (shop, bench, journal));
CREATE TABLE contested (
    shop text NOT NULL, bench text NOT NULL, journal text NOT NULL, number bigint NOT NULL,
    received_t double precision NOT NULL, name text NOT NULL, t double precision NOT NULL, body jsonb NOT NULL,
    PRIMARY KEY (shop, bench, journal, number, name, t));
CREATE TABLE refused (
    received_t double precision NOT NULL, topic text NOT NULL, why text NOT NULL, payload text NOT NULL);
"""

MIGRATIONS: tuple[str, ...] = (_FIRST,)
"""MIGRATIONS[n] takes a database from version n to n + 1."""


def in_sqlite(script: str) -> str:
    """A migration as SQLite reads it."""
    return script.replace("jsonb", "text")
