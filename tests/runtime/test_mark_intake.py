"""Is a mark from outside taken once, in form and in time, and never more?

JSON's strictness after RFC 8259: section 2 (no NaN), section 4 (names should be unique); the rest is benchd's own rule.
"""

from __future__ import annotations

import json
from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st

from benchd.core.model import Mark
from benchd.runtime.mqtt.marks import IDS_REMEMBERED, MARKS_MOST, MarkIntake, Refusal

NOW_S = 1_767_607_331.0


class Hand:
    """An intake with a clock that the test moves."""

    def __init__(self) -> None:
        self.now_s = NOW_S
        self.intake = MarkIntake(lambda: self.now_s, "north", "b1")

    def send(self, verb: str = "mix", retained: bool = False, **body: object) -> Mark | Refusal:
        return self.intake.take(verb, json.dumps(body).encode(), retained)

    def why(self, verb: str, payload: bytes) -> str:
        taken = self.intake.take(verb, payload)
        assert isinstance(taken, Refusal), taken
        return taken.why


def test_a_mark_is_what_it_says() -> None:
    """Every key of the mix verb arrives; a subject's keys count as the mark's own; v and verb may stand there."""
    mark = Hand().send(
        v=0, verb="mix", id="m1", by="mia", t=NOW_S - 2, ttl_s=30, subject={"bench": "north", "cup": "cup-1"},
        pot="barrel", lot="R-07", molds=["M02", "M03"], a_g=159.5, b_g=143.5,
    )  # fmt: skip
    assert mark == Mark(
        t=NOW_S - 2, verb="mix", id="m1", by="mqtt", ttl_s=30, cup="cup-1", pot="barrel", lot="R-07",
        molds=("M02", "M03"), a_g=159.5, b_g=143.5,
    )  # fmt: skip


def test_a_bare_mark_gets_time_id_and_way() -> None:
    """A button that can only send {} still works, twice."""
    hand = Hand()
    first, second = hand.send("end"), hand.send("end")
    assert isinstance(first, Mark)
    assert isinstance(second, Mark)
    assert (first.t, first.by, first.id != second.id) == (NOW_S, "mqtt", True)


def test_an_id_is_taken_once_and_remembered_for_a_thousand() -> None:
    """The repeat is refused; after a thousand others the first is forgotten, not before."""
    hand = Hand()
    for number in range(IDS_REMEMBERED):
        hand.now_s += 1.0
        assert isinstance(hand.send(id=f"m{number}"), Mark)
    assert hand.send(id="m0") == Refusal("m0", "this id was taken before")
    hand.now_s += 1.0
    assert isinstance(hand.send(id="one-more"), Mark)
    assert isinstance(hand.send(id="m0"), Mark)


def test_a_refused_mark_may_be_sent_again() -> None:
    """Only a taken id is used up."""
    hand = Hand()
    assert isinstance(hand.send(id="m1", cup=7), Refusal)
    assert isinstance(hand.send(id="m1", cup="cup-1"), Mark)


@pytest.mark.parametrize(
    ("t", "ttl_s", "is_taken"),
    [
        (NOW_S - 29, 30, True),
        (NOW_S - 31, 30, False),
        (NOW_S + 59, None, True),
        (NOW_S + 61, None, False),
        (NOW_S - 11 * 3600, None, True),
        (NOW_S - 13 * 3600, None, False),
        (0, None, False),
    ],
)
def test_time_to_live_and_future(t: float, ttl_s: float | None, is_taken: bool) -> None:
    """Too late by its own ttl, older than any open pour, or more than a minute ahead."""
    body: dict[str, Any] = {"id": "m1", "t": t} | ({} if ttl_s is None else {"ttl_s": ttl_s})
    assert isinstance(Hand().send(**body), Mark) is is_taken


@pytest.mark.parametrize("payload", [b"", b"  ", b"\n"])
def test_an_empty_payload_is_a_mark_without_more(payload: bytes) -> None:
    """A button on somebody's dashboard, or `mosquitto_pub -n`, sends nothing."""
    taken = Hand().intake.take("heard", payload)
    assert isinstance(taken, Mark)
    assert (taken.verb, taken.by, taken.text) == ("heard", "mqtt", None)


@pytest.mark.parametrize(
    ("payload", "why"),
    [
        (b'""', "not a JSON object"),
        (b"mix", "not JSON"),
        (b"\xff\xfe", "not JSON"),
        (b"[]", "not a JSON object"),
        (b"[" * 4000, "nested too deep"),
        (b'{"a":' * 600 + b"1" + b"}" * 600, "nested too deep"),
        (b'{"a_g":NaN}', "is not a number"),
        (b'{"a_g":-Infinity}', "is not a number"),
        (b'{"a_g":1e999}', "out of range"),
        (b'{"a_g":true}', "must be a number"),
        (b'{"id":"a","id":"b"}', "twice"),
        (b'{"id":""}', "printable"),
        (b'{"id":"a\\nb"}', "printable"),
        (b'{"id":["a"]}', "printable"),
        (b'{"v":9}', "version"),
        (b'{"verb":"end"}', "another verb than its topic"),
        (b'{"subject":{"bench":"south"}}', "another bench"),
        (b'{"subject":7}', "must be an object"),
        (b'{"t":"now"}', "unix seconds"),
        (b'{"t":true}', "unix seconds"),
        (b'{"vent":1}', "unknown key"),
        (b'{"text":"' + b"x" * 5000 + b'"}', "too many"),
    ],
)
def test_garbage_is_refused_with_a_reason(payload: bytes, why: str) -> None:
    """Each says what is wrong."""
    assert why in Hand().why("mix", payload)


def test_brackets_inside_texts_are_not_depth() -> None:
    """A note may say [[[[[[."""
    assert isinstance(Hand().send("note", text='[[[[[[{{{ "quoted"'), Mark)


@pytest.mark.parametrize("verb", ["vent", "pressurise", "MIX", "", "mix/x", "x" * 300])
def test_unknown_verbs_are_refused(verb: str) -> None:
    """Nothing but the marks of the trade comes in: above all nothing that would vent or pressurise."""
    assert 'no verb "' in Hand().why(verb, b"{}")


def test_retained_is_refused_unread() -> None:
    """A stored mark is replayed at every connect: never taken."""
    taken = Hand().send(retained=True, id="m1")
    assert isinstance(taken, Refusal)
    assert "retained" in taken.why


def test_a_flood_is_stopped_at_the_door() -> None:
    """The inbox never drops a mark, so more than thirty in ten seconds are refused; later ones are taken again."""
    hand = Hand()
    taken = [hand.send(id=f"m{number}") for number in range(100)]
    assert sum(isinstance(one, Mark) for one in taken) == MARKS_MOST
    assert taken[-1] == Refusal("m99", "too many marks at once")
    hand.now_s += 11.0
    assert isinstance(hand.send(id="later"), Mark)


@given(st.one_of(st.binary(max_size=300), st.recursive(
    st.none() | st.booleans() | st.floats() | st.text(max_size=8),
    lambda inner: st.lists(inner, max_size=3) | st.dictionaries(st.text(max_size=8), inner, max_size=3),
).map(lambda value: json.dumps(value).encode())))  # fmt: skip
def test_whatever_comes_is_a_mark_or_a_refusal(payload: bytes) -> None:
    """No bytes make the door raise."""
    assert isinstance(Hand().intake.take("mix", payload), Mark | Refusal)


def test_only_the_bench_says_when_a_mark_came() -> None:
    """`t` is when it happened; `at` is how a recording writes that, no key of a phone's."""
    assert Hand().why("mix", b'{"at": 1767607000.0}') == "unknown key 'at'; write when it happened as t"
