"""Does a bench as people run it end in the shop's rows, killed in the middle, and does check speak of its broker?"""

from __future__ import annotations

import contextlib
import subprocess
import sys
import time
from pathlib import Path

import postgres
import pytest
from daemon import running
from gatherers import BROKER, by_mqtt, count, gathering, until
from mosquitto import Mosquitto, needs_mosquitto
from postgres import needs_postgres

from benchd.workshop.database.postgres import Postgres

pytestmark = [needs_mosquitto, needs_postgres, pytest.mark.wide]
SAID = (
    "SELECT number FROM effects WHERE kind IN ('finding', 'alert') OR (kind = 'answer' AND body LIKE '%\"ok\":true%')"
)


def test_a_daemon_killed_and_started_again_ends_in_the_same_rows(tmp_path: Path) -> None:
    """The rows' numbers are those of the journal itself, read beside the daemon."""
    (tmp_path / "broker").mkdir()
    broker = Mosquitto(tmp_path / "broker", BROKER).start()
    workshop = f'[workshop]\nhost = "127.0.0.1"\nport = {broker.port}\n'
    try:
        with (
            postgres.running() as server,
            gathering(server.dsn, by_mqtt(broker.port)),
            contextlib.closing(Postgres(server.dsn)) as database,
            running(tmp_path / "bench", mqtt_port=broker.port, extra=workshop) as daemon,
        ):
            for text in ("one", "two"):
                daemon.mark("note", text=text)
            until(database, 2)
            daemon.mark("mix", cup="cup-1", lot="R-07", molds=["M02", "M03"])
            daemon.kill()
            daemon.start()
            assert daemon.mark("demolded", mold="M02", grade="scrap", cause="trap")["ok"] is False  # and no record
            for verb, more in (("kicked", {}), ("demolded", {"mold": "M02", "grade": "scrap", "cause": "trap"})):
                assert daemon.mark(verb, **more)["ok"], verb
            time.sleep(1.0)
            assert daemon.stop() == 0
            daemon.start()
            wanted = {number for (number,) in daemon.rows(SAID)}
            until(database, len(wanted), 30.0)
            time.sleep(1.0)
            found = {int(row["number"]) for row in database.rows("SELECT number FROM records")}
            wanted = {number for (number,) in daemon.rows(SAID)}
            assert found == wanted
            assert count(database, "missing") == 0
            (part,) = database.rows("SELECT lot, grade, cause FROM parts WHERE mold = 'm02'")
            assert (part["lot"], part["grade"], part["cause"]) == ("r-07", "scrap", "trap")
            done = subprocess.run(
                [sys.executable, "-m", "benchd", "check", "-c", str(daemon.folder / "bench.toml")],
                capture_output=True, text=True, timeout=60, check=False,
            )  # fmt: skip
            assert f"workshop: 127.0.0.1:{broker.port}: keeps records for `benchd gather`" in done.stdout
    finally:
        broker.stop()
