"""Does a bench that has a workshop send each saved record once, in order, and does one without it load nothing?"""

from __future__ import annotations

import asyncio
import json
import subprocess
import sys
from collections.abc import AsyncIterator
from contextlib import asynccontextmanager, suppress
from dataclasses import replace
from pathlib import Path
from typing import Any

import jsonschema
from mosquitto import Mosquitto, needs_mosquitto, running
from outlet_tools import Bench
from phone import Phone, until
from shop_journal import T0, add, filled, kicked

from benchd.outlets.workshop import Settings, WorkshopOutlet, make
from benchd.runtime.journal.backup import restore, write_backup
from benchd.runtime.journal.journal import Journal
from benchd.runtime.journal.schema.journal_id import ids_of
from benchd.runtime.mqtt.topics.table import mqtt_schema
from benchd.runtime.workshop import records

ROOT = "benchd/v0/quiet-harbour/north"


@asynccontextmanager
async def sending(journal: Journal, port: int, **settings: Any) -> AsyncIterator[WorkshopOutlet]:
    """The outlet at work for the length of the block, on bench time an hour after the journal's day."""
    bench = Bench()
    clock = bench.tools.clock
    clock.now = lambda: T0 + 3600.0  # type: ignore[method-assign]
    outlet = make(Settings(port=port, **settings), replace(bench.tools, journal=lambda: journal))
    task = asyncio.create_task(outlet.run())
    try:
        yield outlet
    finally:
        task.cancel()
        with suppress(asyncio.CancelledError):
            await task


def numbers(phone: Phone) -> list[int]:
    return [
        json.loads(payload)["number"]
        for topic, payload, _ in phone.heard
        if "/record/" in topic and "minutes" not in topic
    ]


@needs_mosquitto
async def test_saved_records_are_sent_in_order_with_what_came_before_them(tmp_path: Path) -> None:
    journal = await filled(tmp_path / "journal.db")
    with running(tmp_path) as broker:
        async with Phone(broker.port, topic_filter=f"{ROOT}/record/#") as phone, sending(journal, broker.port):
            await phone.hears(f"{ROOT}/record/minutes")
    await journal.close()
    told = [json.loads(payload) for topic, payload, _ in phone.heard if not topic.endswith("minutes")]
    assert [(r["number"], r["after"], r["name"]) for r in told] == [
        (1, 0, "pour_started"), (2, 1, "kicked"), (4, 2, "demolded"), (5, 4, "pot-leaking"),
    ]  # fmt: skip
    assert len({r["journal"] for r in told}) == 1
    assert told[2]["body"] == {"mold": "m01", "grade": "scrap", "cause": "trap"}  # not who, and no note
    minutes = phone.on(f"{ROOT}/record/minutes")[0]["minutes"]
    assert minutes[0] == ["barrel-pressure", T0 // 60, 240, 21.0, 21.5, 22.25]
    assert len(minutes) == 6
    judge = jsonschema.Draft202012Validator(json.loads(json.dumps(mqtt_schema())))
    each = [{topic.removeprefix(f"{ROOT}/"): json.loads(payload)} for topic, payload, _ in phone.heard]
    assert [error.message for one in each for error in judge.iter_errors(one)] == []


@needs_mosquitto
async def test_an_outage_and_a_restart_lose_nothing(tmp_path: Path) -> None:
    """The broker is away while records are written; a new outlet goes on from what the journal keeps."""
    journal = await filled(tmp_path / "journal.db")
    broker = Mosquitto(tmp_path).start()
    try:
        async with sending(journal, broker.port):
            async with Phone(broker.port, topic_filter=f"{ROOT}/record/#") as phone:
                await until(lambda: 5 in numbers(phone))
            broker.kill()
            await add(journal, 6, [kicked(T0 + 900 + n, n) for n in range(300)])
            broker.start()
            async with Phone(broker.port, topic_filter=f"{ROOT}/record/#") as phone:
                await until(lambda: 305 in numbers(phone))
                caught_up = numbers(phone)
        await add(journal, 306, [kicked(T0 + 1900, 1)])
        async with Phone(broker.port, topic_filter=f"{ROOT}/record/#") as phone, sending(journal, broker.port):
            await until(lambda: 306 in numbers(phone))
    finally:
        broker.stop()
        await journal.close()
    assert caught_up == list(range(6, 306))
    assert numbers(phone) == sorted(numbers(phone))


@needs_mosquitto
async def test_a_shop_that_misses_records_is_sent_them_again(tmp_path: Path) -> None:
    """Asked by a journal's id and the last number that came; other journals' and damaged questions change nothing."""
    journal = await filled(tmp_path / "journal.db")
    id = (await ids_of(journal)).of(1)
    with running(tmp_path) as broker:
        async with Phone(broker.port, topic_filter=f"{ROOT}/record/#") as phone, sending(journal, broker.port):
            await until(lambda: numbers(phone) == [1, 2, 4, 5])
            for asked in ("{", '{"journal": 1}', f'{{"journal": "{id}", "after": -1}}'):
                phone.send(f"{ROOT}/resend", asked)
            phone.send(f"{ROOT}/resend", f'{{"journal": "{id}", "after": 1}}')
            await until(lambda: len(numbers(phone)) == 7)
    await journal.close()
    assert numbers(phone) == [1, 2, 4, 5, 2, 4, 5]


async def test_sending_begins_no_further_back_than_asked(tmp_path: Path) -> None:
    journal = await filled(tmp_path / "journal.db")
    ids = await ids_of(journal)
    sent = await records.sent_so_far(journal, T0 + 2 * records.DAY_S + 165.0, 2.0)
    found = await records.next_records(journal, ids, sent, T0, {"bench": "north"})
    assert [json.loads(record.payload)["number"] for record in found] == [2, 4, 5]
    await journal.close()


async def test_a_restored_journal_counts_on_under_a_new_id(tmp_path: Path) -> None:
    """What the lost journal said after its backup keeps its numbers: the restored one would use them again."""
    folder = tmp_path / "bench"
    folder.mkdir()
    (folder / "bench.toml").write_text("")
    journal = await filled(tmp_path / "journal.db")
    old = (await ids_of(journal)).of(5)
    await journal.close()
    made = tmp_path / "kept.zip"
    write_backup(made, tmp_path / "journal.db", {}, T0)
    restore(made, tmp_path / "again")
    again = Journal(tmp_path / "again" / "journal.db")
    await again.open()
    ids = await ids_of(again)
    await again.close()
    assert ids.of(1) == ids.of(5) == old
    assert ids.of(6) != old


def test_a_bench_without_a_workshop_loads_nothing_of_it() -> None:
    """The modules of a daemon on the example bench, each imported as it would be."""
    script = (
        "import sys; from pathlib import Path; import benchd.commands.run\n"
        "from benchd.plugins import load_settings, make_of\n"
        "loaded = load_settings(Path('config/bench.toml'))\n"
        "[make_of('outlets', name) for name in loaded.outlets]\n"
        "print([n for n in sys.modules if 'workshop' in n or n.split('.')[0] in ('psycopg', 'nats', 'asyncpg')])"
    )
    done = subprocess.run([sys.executable, "-c", script], capture_output=True, text=True, check=True, timeout=60)
    assert done.stdout.strip() == "[]"
