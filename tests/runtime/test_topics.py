"""Is every topic one the contract names, and every payload in its form?"""

from __future__ import annotations

import json
import re
from dataclasses import dataclass

import pytest
from hypothesis import given
from hypothesis import strategies as st

from benchd.core.model import Alert, Card, MarkAnswer, Quality, Reading, Subject, Utterance
from benchd.runtime.mqtt.topics import Topics, level


@dataclass(frozen=True, slots=True)
class TopicRow:
    """One kind of topic; `qos` and `retain` as published ("in" rows are only ever received)."""

    topic: str
    what: str
    qos: int
    retain: bool
    comes_in: bool = False


TREE: tuple[TopicRow, ...] = (
    TopicRow("up", "here or gone, plain; gone is the last will and the last word of a clean stop", 1, True),
    TopicRow("about", "version, boot id, probes, shelf", 1, True),
    TopicRow("read/<channel>", "value, unit, t, seq, quality", 0, False),
    TopicRow("probe/<id>/up", "here or gone, plain", 1, True),
    TopicRow("pour/<cup>", "phase, times, windows, basis of the pour in this cup", 1, True),
    TopicRow("pot/<pot>", "phase, pressure, verdict, basis", 1, True),
    TopicRow("mold/<mold>", "phase and when its part is due", 1, True),
    TopicRow("alert/<code>/<subject-id>", "the alert's present state", 1, True),
    TopicRow(
        "alert-log",
        "every change of an alert, with id; late is allowed; unsaved, unsaved_why while it is not in the log",
        1,
        False,
    ),
    TopicRow(
        "say", "what the caster hears now; never delivered after say_until; unsaved, unsaved_why as above", 1, False
    ),
    TopicRow("health", "outbox depth, journal lag, drops, clock, listeners, last error", 0, True),
    TopicRow("do/<verb>", "a mark: JSON object; never retained", 1, False, comes_in=True),
    TopicRow(
        "did/<verb>", "whether a mark was taken: id, ok, why; unsaved, unsaved_why while it is not in the log", 1, False
    ),
)


TOPICS = Topics("Quiet Harbour", "north")
SUBJECT = Subject(bench="north", pot="barrel", channel="barrel.pressure")


def fits(topic: str) -> bool:
    """Whether a topic is a row of the table, its placeholders filled."""
    tail = topic.removeprefix(f"{TOPICS.root}/")
    return any(re.fullmatch(re.sub(r"<[^>]+>", "[a-z0-9-]{1,64}", row.topic), tail) for row in TREE)


def test_everything_published_is_in_the_table_with_version_and_subject() -> None:
    """Readings, cards, alerts, the log, words and answers: topic in the table, "v": 0, the bench in the subject."""
    alert = Alert(t=1.0, alert="pot-leaking", active=True, heard=False, priority=2, subject=SUBJECT, text="Top up.")
    said = Utterance(t=1.0, say="Top up.", priority=2, tone="attention", say_until=21.0, subject=SUBJECT)
    rows = [TOPICS.outbox_row(alert), TOPICS.outbox_row(said)]
    published = [
        TOPICS.reading(Reading(1.0, "barrel.pressure", "pot_pressure", "barrel", 289.579, 3.1), 7),
        TOPICS.card(Card(t=1.0, of="mold", id="M02", body={"phase": "curing"})),
        TOPICS.card(Card(t=1.0, of="pour", id="cup-1", body={"phase": "mixed"})),
        TOPICS.alert(alert),
        TOPICS.answer(MarkAnswer(t=1.0, id="m1", verb="mix", ok=True, why="")),
        *((row.topic, row.payload) for row in rows if row is not None),
    ]
    assert len(published) == 7
    for topic, payload in published:
        body = json.loads(payload)
        assert fits(topic), topic
        assert (body["v"], body["subject"]["bench"]) == (0, "north")
        assert next(iter(body)) == "v"


def test_a_faulty_reading_has_no_value_and_no_nan() -> None:
    """FAULT carries null; a number that is none is null too, never NaN."""
    for value in (None, float("nan"), float("inf")):
        _, payload = TOPICS.reading(Reading(1.0, "c", "cup_temperature", "cup-1", value, None, Quality.FAULT), 0)
        assert (json.loads(payload)["value"], json.loads(payload)["unit"]) == (None, "C")


def test_two_changes_at_one_time_have_two_ids() -> None:
    """The log's id tells over from heard, so that a reader may drop what came twice."""
    states = [(True, False), (True, True), (False, True), (False, False)]
    ids = set()
    for active, heard in states:
        alert = Alert(t=1.0, alert="pot-leaking", active=active, heard=heard, priority=2, subject=SUBJECT)
        row = TOPICS.outbox_row(alert)
        assert row is not None
        ids.add(json.loads(row.payload)["id"])
    assert len(ids) == 4


@given(st.text(max_size=80))
def test_no_name_breaks_a_topic(name: str) -> None:
    """MQTT 5.0, 4.7: /, +, # and NUL mean something in a topic; no id smuggles them in, nor an empty level."""
    assert re.fullmatch(r"[a-z0-9-]{1,64}", level(name))
    assert TOPICS.at("mold", name).count("/") == TOPICS.root.count("/") + 2


@pytest.mark.parametrize(
    ("topic", "qos", "retain"),
    [
        ("up", 1, True), ("about", 1, True), ("read/<channel>", 0, False), ("pot/<pot>", 1, True),
        ("alert/<code>/<subject-id>", 1, True), ("alert-log", 1, False), ("say", 1, False), ("health", 0, True),
        ("did/<verb>", 1, False),
    ],
)  # fmt: skip
def test_the_table_says_what_people_script_against(topic: str, qos: int, retain: bool) -> None:
    """Quality of service and retain flag by topic, as the contract has them."""
    (row,) = [row for row in TREE if row.topic == topic]
    assert (row.qos, row.retain, row.comes_in) == (qos, retain, False)
