"""Does the README's way to back up the shop's database bring everything back, while a gatherer writes?"""

from __future__ import annotations

import os
import re
import subprocess
from pathlib import Path

import postgres
import pytest
from gatherers import count, write
from postgres import PROGRAMS, needs_postgres
from shop_records import casting_day, minutes, record

from benchd.workshop.database.postgres import Postgres
from benchd.workshop.database.schema import MIGRATIONS

PAPER = Path(__file__).parents[2] / "benchd" / "workshop" / "README.md"
pytestmark = [needs_postgres, pytest.mark.wide]


def test_what_is_dumped_is_restored_and_gathering_goes_on_there(tmp_path: Path) -> None:
    commands = re.findall(r"^    ((?:pg_dump|createdb) .*)$", PAPER.read_text("utf-8"), re.MULTILINE)
    assert len(commands) == 2
    with postgres.running() as server:
        server.run("CREATE DATABASE benchd")
        dsn = server.dsn.replace("dbname=postgres", "dbname=benchd")
        database = Postgres(dsn)
        database.prepare()
        write(database, [*casting_day("north"), minutes("north", [["cup", 29_460_039, 240, 20.0, 21.0, 22.0]])])
        known = {"PATH": f"{PROGRAMS}:{os.environ['PATH']}", "PGHOST": str(server.folder), "PGUSER": "benchd"}
        for command in commands:
            subprocess.run(["sh", "-ec", command], env=known, cwd=tmp_path, check=True, timeout=60)
        again = Postgres(dsn.replace("dbname=benchd", "dbname=benchd-again"))
        again.prepare()
        for table in ("records", "minutes", "journals", "parts", "scrap"):
            assert count(again, table) == count(database, table) > 0, table
        assert count(again, "migrations") == len(MIGRATIONS)
        write(again, [*casting_day("north"), record(7)])
        assert count(again, "records") == 7
        database.close()
        again.close()
