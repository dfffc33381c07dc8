"""Does what benches send become rows, and does what is no record stay out of them, with a reason?"""

from __future__ import annotations

import json
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st
from shop_journal import T0
from shop_records import arrival, body_of, minutes, record

from benchd.errors import SettingsError
from benchd.workshop.incoming import RECORD_COLUMNS, Arrival, Batch
from benchd.workshop.settings import load_workshop

ROOT = Path(__file__).parents[2]


def row(batch: Batch) -> dict[str, object]:
    (only,) = batch.records
    return dict(zip(RECORD_COLUMNS, only, strict=True))


def test_shop_and_bench_are_those_of_the_topic() -> None:
    """The broker's access list guards the topic; a payload could claim to be anybody's."""
    topic, payload = record(3, "north", places={"pot": "barrel"})
    claimed = json.dumps(body_of((topic, payload)) | {"subject": {"bench": "south", "pot": "Barrel"}})
    found = row(Batch.of([arrival((topic, claimed))]))
    assert (found["shop"], found["bench"], found["number"], found["pot"]) == ("quiet-harbour", "north", 3, "barrel")


def test_a_mark_names_its_mold_in_lower_case() -> None:
    found = row(Batch.of([arrival(record(3, kind="mark", name="demolded", body={"mold": "M02", "grade": "good"}))]))
    assert found["mold"] == "m02"


def test_the_fullest_of_a_minutes_values_counts() -> None:
    rows = [["cup", 7, n, 1.0, 2.0, 3.0] for n in (90, 240, 100)]
    batch = Batch.of([arrival(minutes("north", [each])) for each in rows])
    assert [minute[5] for minute in batch.minutes.values()] == [240]


def test_what_jsonb_cannot_hold_is_replaced() -> None:
    topic, payload = record(1, body={"why": "X"})
    spoiled = payload.replace('"X"', '"a\\u0000b\\ud800c"')
    assert json.loads(str(row(Batch.of([arrival((topic, spoiled))]))["body"])) == {"why": "a�b�c"}


@pytest.mark.parametrize(
    ("topic", "payload", "why"),
    [
        ("benchd/v0/shop/north/record/song", "{}", "kind song"),
        ("benchd/v0/shop/NORTH/record/finding", "{}", "no topic"),
        ("benchd/v0/shop/north/record/finding", "{", "truncated"),
        ("benchd/v0/shop/north/record/finding", "{}", "missing"),
        ("benchd/v0/shop/north/record/finding", "[" * 50_000, ""),
        ("benchd/v0/shop/north/record/finding", "x" * 70_000, "longer than"),
        ("benchd/v0/shop/north/record/minutes", '{"journal":"a","minutes":[["c",1,0,1,1,1]]}', "no clock"),
        (*record(0), "no journal has"),
        (*record(5, after=5), "no journal has"),
        (*record(2**62), "no journal has"),
        (*record(1, name=""), "empty"),
        (*record(1, journal="j" * 65), "longer"),
    ],
)  # fmt: skip
def test_what_is_no_record_is_refused_with_its_reason(topic: str, payload: str, why: str) -> None:
    batch = Batch.of([arrival((topic, payload)), arrival(record(1))])
    assert len(batch.records) == 1
    assert why in batch.refused[0].why
    assert batch.refused[0].arrival.topic == topic


@given(st.binary(max_size=300))
def test_any_bytes_are_a_row_or_refused(payload: bytes) -> None:
    batch = Batch.of([Arrival("benchd/v0/shop/north/record/finding", payload, T0)])
    assert len(batch.records) + len(batch.refused) == 1


def test_the_example_file_is_sound() -> None:
    found = load_workshop(ROOT / "config" / "workshop.toml")
    assert found.nats is None
    assert found.name


def test_every_fault_of_the_file_is_named_with_its_remedy(tmp_path: Path) -> None:
    (tmp_path / "workshop.toml").write_text(
        '[brocker]\n[database]\ndsn = "host=db password=secret"\n[gather]\nname = "Gather 1"\n[nats]\n'
        '[page]\nlisten = "0.0.0.0:8128"\n'
    )
    with pytest.raises(SettingsError) as caught:
        load_workshop(tmp_path / "workshop.toml")
    text = str(caught.value)
    for part in ('did you mean "broker"', "workshop.toml:3: database.dsn: a password", "gather.name", "nats.servers",
                 "page.listen"):  # fmt: skip
        assert part in text
