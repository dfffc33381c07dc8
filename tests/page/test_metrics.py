"""Do the metrics say what the bulletin holds, in a form another parser reads, and only to whom the page's reads go?"""

from __future__ import annotations

import re
from collections.abc import Mapping
from dataclasses import replace
from pathlib import Path

import pytest
from asgi_ask import ask
from page.test_site import MIX_T, NoJournal, Served, serve
from prometheus_client.openmetrics.parser import text_string_to_metric_families as open_families
from prometheus_client.parser import text_string_to_metric_families as plain_families

from benchd import __version__
from benchd.core.model import Alert, Quality, Reading, Subject
from benchd.page.token_gate import TokenGate
from benchd.runtime.bulletin import Posted
from benchd.runtime.http.tokens import Pairing

OPEN = "application/openmetrics-text; version=1.0.0"
NOW_T = MIX_T + 1000.0
READINGS = (
    Reading(t=NOW_T - 2.0, channel="pot-1", role="pot_pressure", of="barrel", value=289.58, raw=None),
    Reading(t=NOW_T - 1.0, channel="cup-1-temperature", role="cup_temperature", of="cup-1", value=23.25, raw=None),
    Reading(t=NOW_T, channel="rh", role="room_humidity", of="", value=44.0, raw=None, quality=Quality.SUSPECT),
    Reading(t=NOW_T, channel="room-1", role="room_temperature", of="", value=None, raw=None, quality=Quality.FAULT),
)
ALERT = Alert(
    t=NOW_T, alert="pot-below-floor", active=True, heard=False, priority=1, subject=Subject(bench="north", pot='b"1'),
    text="Pot low",
)  # fmt: skip
QUIET = Alert(t=NOW_T, alert="pot-jet", active=False, heard=False, priority=2, subject=Subject(bench="north"))


@pytest.fixture
def served() -> Served:
    made = serve(NoJournal())
    made.bulletin.post([Posted(effect) for effect in (*READINGS, ALERT, QUIET)])
    return made


Samples = Mapping[str, list[tuple[Mapping[str, str], float]]]


async def asked(app: object, accept: str = OPEN) -> Samples:
    answer = await ask(app, "GET", "/metrics", {"accept": accept})  # type: ignore[arg-type]
    assert answer.status == 200
    families = open_families if "openmetrics" in answer.headers["content-type"] else plain_families
    found: dict[str, list[tuple[Mapping[str, str], float]]] = {}
    for family in families(answer.body.decode()):
        for sample in family.samples:
            found.setdefault(sample.name, []).append((sample.labels, sample.value))
    return found


async def test_readings_are_in_base_units_with_their_age_and_quality(served: Served) -> None:
    """289.58 kPa are 289,580 Pa, 44 % are 0.44; what is faulty has no value."""
    found = await asked(served.app)
    pot, cup = ({"channel": r.channel, "role": r.role, "of": r.of} for r in READINGS[:2])
    assert found["benchd_pressure_pascals"] == [(pot, 289_580.0)]
    assert found["benchd_temperature_celsius"] == [(cup, 23.25)]
    assert [value for _, value in found["benchd_relative_humidity_ratio"]] == [0.44]
    assert "benchd_mass_grams" not in found
    ages = {labels["channel"]: value for labels, value in found["benchd_reading_age_seconds"]}
    assert ages == {"pot-1": 2.0, "cup-1-temperature": 1.0, "rh": 0.0, "room-1": 0.0}
    good = {labels["channel"]: value for labels, value in found["benchd_reading_good"]}
    assert good == {"pot-1": 1.0, "cup-1-temperature": 1.0, "rh": 0.0, "room-1": 0.0}


async def test_alarms_that_stand_are_there_and_no_others(served: Served) -> None:
    found = await asked(served.app)
    assert found["benchd_alert_active"] == [({"alert": "pot-below-floor", "subject": 'b"1'}, 1.0)]
    assert found["benchd_alert_acknowledged"] == [({"alert": "pot-below-floor", "subject": 'b"1'}, 0.0)]


async def test_the_state_of_the_watch_is_there(served: Served) -> None:
    found = await asked(served.app)
    about = {"version": __version__, "shop": "quiet-harbour", "bench": "north"}
    assert found["benchd_info"] == [(about, 1.0)]
    parts = {labels["part"]: value for labels, value in found["benchd_part_alive"]}
    assert parts == {"source": 0.0, "engine": 0.0, "journal": 0.0}  # nothing has moved yet
    assert found["benchd_journal_ok"] == [({}, 1.0)]
    assert "benchd_phone_listening" not in found  # nobody knows before the first word


async def test_both_forms_of_the_format_hold_the_same(served: Served) -> None:
    """The one with an end mark (OpenMetrics 1.0), and the plain text before it for who asks for nothing."""
    plain, full = await asked(served.app, "text/plain"), await asked(served.app)
    assert plain == full
    body = (await ask(served.app, "GET", "/metrics", {"accept": OPEN})).body
    assert body.endswith(b"# EOF\n")


async def test_names_and_units_follow_the_formats_rules() -> None:
    """A family's unit ends its name, nothing is abbreviated (OpenMetrics 1.0, "Units and Base Units")."""
    made = serve(NoJournal())
    text = (await ask(made.app, "GET", "/metrics", {"accept": OPEN})).body.decode()
    names = {line.split()[2] for line in text.splitlines() if line.startswith("# TYPE")}
    assert all(name.startswith("benchd") for name in names)
    assert not [name for name in names if name.endswith(("_kpa", "_s", "_pct", "_c", "_ms"))]


async def test_beyond_this_machine_it_asks_for_a_token(tmp_path: Path) -> None:
    """As the page's other reads do."""
    made = serve(NoJournal())
    pairing = Pairing(tmp_path / "phones", lambda: NOW_T, lambda: NOW_T)
    app = made.site.app(gate=lambda inner: TokenGate(inner, pairing, ()))
    assert (await ask(app, "GET", "/metrics")).status == 401
    assert (await ask(made.site.app(), "GET", "/metrics", {"host": "elsewhere.example"})).status == 421


async def test_each_answer_is_as_the_bench_is_then(served: Served) -> None:
    """The registry is made for each answer: nothing is carried over, nothing grows."""
    first = await asked(served.app)
    served.bulletin.post([Posted(replace(ALERT, active=False)), Posted(replace(READINGS[0], t=NOW_T, value=0.0))])
    second = await asked(served.app)
    assert ("benchd_alert_active" in first, "benchd_alert_active" in second) == (True, False)
    assert [value for _, value in second["benchd_pressure_pascals"]] == [0.0]
    assert {name: len(samples) for name, samples in second.items() if "reading" in name} == {
        name: len(samples) for name, samples in first.items() if "reading" in name
    }


async def test_the_paper_names_each_metric_with_its_labels(served: Served) -> None:
    """config/README.md, "Metrics": every sample there can be, and no other."""
    paper = (Path(__file__).parents[2] / "config" / "README.md").read_text("utf-8").partition("## Metrics")[2]
    rows = re.findall(r"^\| ((?:`benchd_\w+`(?:, )?)+) \| ([\w, ]*?) ?\|", paper, re.MULTILINE)
    named = {name: set(re.findall(r"\w+", cell)) for names, cell in rows for name in re.findall(r"`(\w+)`", names)}
    health = served.site._health
    health.dropped["board"], health.listeners = 2, 1
    scale = Reading(t=NOW_T, channel="scale", role="scale", of="", value=159.5, raw=None)
    served.bulletin.post([Posted(scale)])
    found = {name: set(samples[0][0]) for name, samples in (await asked(served.app)).items()}
    assert found == named
