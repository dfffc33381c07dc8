"""The database of the workshop's tests: one server a file, emptied for each test that asks."""

from __future__ import annotations

from collections.abc import Iterator

import postgres
import pytest
from postgres import Cluster

from benchd.workshop.database.postgres import Postgres


@pytest.fixture(scope="module")
def server() -> Iterator[Cluster]:
    with postgres.running() as cluster:
        yield cluster


@pytest.fixture
def database(server: Cluster) -> Iterator[Postgres]:
    """A prepared database with nothing in it."""
    found = Postgres(server.dsn)
    found.prepare()
    server.run("TRUNCATE records, minutes, journals, contested, refused")
    yield found
    found.close()
