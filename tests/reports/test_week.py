"""A week's report: what it calls wrong, by a week whose truth is typed; what was learned; what would help most.

How each pour has to be judged is worked out beside it, by hand.  Shares and spreads are held against scipy.
"""

from __future__ import annotations

import asyncio
import json
import math
from collections import Counter
from dataclasses import replace
from pathlib import Path
from statistics import median
from typing import Any

import numpy as np
import pytest
from asgi_ask import ask
from leak_chain import _fill
from rehearsed import pots as population
from reports.scripted_week import DAY_S, KNOWN, LEARNED, MONDAY_T, Cast, Script, write_week
from reports.weeks import CONFIG
from scipy import stats
from starlette.applications import Starlette

from benchd import cli
from benchd.core.bench import Bench
from benchd.core.learned.cure_lessons import Lesson
from benchd.errors import ReportError
from benchd.physics.mold_factor import Pull, belief_of
from benchd.plugins import load_settings
from benchd.reports.door import report_routes
from benchd.reports.index import make_report
from benchd.reports.week.gains import Gain, kick_gain, proved_s, scale_gain, spread_explained, with_gas
from benchd.reports.week.page import best_of
from benchd.reports.week.verdicts import chance_of
from benchd.reports.writer import Document, to_html, to_text
from benchd.runtime.journal.journal import Journal
from benchd.runtime.journal.reader import Readable
from benchd.shelf.pot_habits import Fill

SUNDAY_T = MONDAY_T + 6.8 * DAY_S
CASTS = (
    # in time by 30 s; the word was acted on
    Cast(day=0, kick=170.0, calls=(("lid", 100.0),)),
    # 25 s behind its window, so the word came too early; a part soft after "due", and later than its window
    Cast(day=1, kick=210.0, calls=(("lid", 100.0),), rise=120.0, up=150.0, feel="rubbery"),
    # found by the curve 4 s before its window, within its own doubt of 8; up 4 s after it, and nobody had said a word
    Cast(day=2, kick=146.0, is_marked=False, up=150.0, rise=120.0, feel=None),
    # found by the curve 30 s before its window; "Lid now" was acted on in 40 s and still too late
    Cast(day=3, kick=120.0, is_marked=False, calls=(("lid", 90.0),), rise=100.0, up=130.0, out=1300.0, word=None),
    # "Late" while the air was on, filled as slowly as ever, 40 s to spare; out soft before its word; opened in alarm
    Cast(day=4, kick=170.0, calls=(("late", 100.0),), rise=95.0, up=130.0, feel="rubbery", out=1150.0, word=None,
         alarm=("pot-losing", 1100.0)),
    # two more molds after "Last mold", and still 40 s to spare; given up, and then its kick was marked
    Cast(day=5, kick=170.0, calls=(("last", 60.0),), filled=(50.0, 70.0, 85.0), molds=("m01", "m02", "m03"), up=130.0,
         no_cure=165.0, alarm=("floor-ahead", 400.0)),
)  # fmt: skip
WRONG = {
    "kick": {"right": 3, "later": 1, "unknown": 1, "sooner": 1},
    "part": {"right": 6, "later": 1, "unknown": 1},
    "lid_now": {"right": 1, "early": 1, "late": 1},
    "late load": {"missing": 1},
    "pressure_late": {"needless": 1},
    "last_mold": {"needless": 1},
    "part word": {"right": 5, "early": 1, "unknown": 1, "late": 1},
    "pot-losing": {"false": 1},
    "floor-ahead": {"needless": 1},
    "no cure": {"false": 1},
}


@pytest.fixture(scope="module")
def studio() -> Bench:
    return load_settings(CONFIG).bench


@pytest.fixture(scope="module")
def told(tmp_path_factory: pytest.TempPathFactory) -> Path:
    path = tmp_path_factory.mktemp("week") / "journal.db"
    return asyncio.run(write_week(path, load_settings(CONFIG), CASTS))


@pytest.fixture(scope="module")
def document(told: Path, studio: Bench) -> Document:
    """The week's report, made once."""
    return asyncio.run(week(told, studio))


async def week(path: Path, bench: Bench, id: str = "last", now_t: float = SUNDAY_T) -> Document:
    async with Journal(path, read_only=True) as journal:
        return await make_report(journal, bench, "week", id, now_t)


def test_each_forecast_and_word_is_judged_by_what_came(document: Document) -> None:
    data = document.data
    says: dict[str, Counter[str]] = {}
    for each in data["verdicts"]:
        says.setdefault(each["what"], Counter())[each["says"]] += 1
    assert says == WRONG
    wrong = sum(n for kinds in WRONG.values() for name, n in kinds.items() if name not in ("right", "unknown"))
    assert (data["wrong"], data["told"]) == (wrong, sum(sum(kinds.values()) for kinds in WRONG.values()))


def test_what_a_mark_shows_is_seen_and_the_rest_inferred_or_unknown(document: Document) -> None:
    data = document.data
    known = {(v["what"], v["says"]): v["known"] for v in data["verdicts"]}
    assert known["kick", "later"] == known["no cure", "false"] == known["part", "later"] == "seen"
    assert known["kick", "sooner"] == known["pressure_late", "needless"] == known["late load", "missing"] == "inferred"
    assert {v["known"] for v in data["verdicts"] if v["says"] == "unknown"} == {"unknown", "inferred"}
    (late,) = (v for v in data["verdicts"] if (v["what"], v["says"]) == ("kick", "later"))
    assert late["place"] == pytest.approx((210 - 165) / (185 - 165))


def test_its_page_says_it_in_words_and_draws_it(document: Document) -> None:
    text = to_text(document)
    assert f"{document.data['wrong']} of {document.data['told'] - 3} forecasts and words that can be judged" in text
    assert "nobody can tell" in text
    assert "Kicks: 3 of 5 within." in text
    assert "Thu 10:02" in text  # the studio's own clock, an hour before UTC's
    drawing = document.drawing
    assert drawing is not None
    assert drawing.draw(356.0).svg().count("<path") > 10
    assert "outside" in to_html(document)


def test_what_was_learned_is_told_as_before_and_after(document: Document) -> None:
    learned = {each["what"]: each for each in document.data["learned"]}
    assert learned["from one mold to the next"]["before"] == "not known"
    assert learned["from one mold to the next"]["now"] == LEARNED.caster.pour_s
    mold = learned["M01: hard over the model's time"]
    assert (mold["before"], mold["after"]) == ("x1.00 +-20 % (2 pulls)", "x1.10 +-12 % (4 pulls)")
    assert "from the last mold to the air" not in learned  # 25 s before and after
    assert KNOWN.caster.lid_s == LEARNED.caster.lid_s
    assert learned["Barrel: no leak above"]["now"] == 2.0


async def test_a_part_taken_back_is_judged_no_more(tmp_path: Path, studio: Bench) -> None:
    casts = [replace(CASTS[1], undo_s=5.0)]
    path = await write_week(tmp_path / "j.db", load_settings(CONFIG), casts)
    assert {v["what"] for v in (await week(path, studio)).data["verdicts"]} == {"kick", "lid_now"}


async def test_a_week_of_nothing_says_so_and_breaks_nothing(tmp_path: Path, studio: Bench, told: Path) -> None:
    async with Journal(tmp_path / "j.db"):
        pass
    for path, id in (
        (tmp_path / "j.db", "last"),
        (tmp_path / "j.db", "this"),
        (told, "2026-01-14"),
        (told, "2025-W50"),
    ):
        document = await week(path, studio, id, SUNDAY_T)
        assert "Nothing was cast from" in to_text(document)
        assert document.data["gains"] == document.data["verdicts"] == []
        assert document.drawing is None


@pytest.mark.parametrize("id", ["2026-13-01", "2026-W60", "soon", "9999-W53", "'; drop"])
async def test_no_such_week_is_refused_with_what_can_be_asked(told: Path, studio: Bench, id: str) -> None:
    with pytest.raises(ReportError, match="write this, last, a date"):
        await week(told, studio, id)


async def test_any_day_of_it_names_the_week(told: Path, studio: Bench) -> None:
    documents = [await week(told, studio, id) for id in ("2026-01-11", "2026w2", "this")]
    assert {document.data["from"] for document in documents} == {"2026-01-05"}
    assert {document.data["to"] for document in documents} == {"2026-01-11"}


async def test_the_door_and_the_command_give_it(
    told: Path, studio: Bench, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    async with Journal(told, read_only=True) as journal:
        app = Starlette(routes=report_routes(journal, lambda: studio, lambda: SUNDAY_T))
        page, plain, drawn = [
            await ask(app, "GET", route)
            for route in ("/report/week/last", "/api/v0/report/week/last", "/report/week/last/drawing.svg")
        ]
    assert (page.status, plain.status, drawn.status) == (200, 200, 200)
    assert json.loads(plain.body)["kind"] == "week"
    assert 'href="/report/week/last"' in page.body.decode()


def test_the_command_prints_it_as_text_numbers_and_a_picture(
    told: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    where = ["report", "week", "-c", str(CONFIG), "--journal", str(told)]
    assert cli.main([*where, "--json"]) == 0
    assert json.loads(capsys.readouterr().out)["from"] == "2026-01-05"  # without an id: the newest that has a pour
    assert cli.main([*where[:2], "2026-W02", *where[2:], "--png", str(tmp_path / "w.png")]) == 0
    assert (tmp_path / "w.png").read_bytes().startswith(b"\x89PNG")


class Counted:
    """A journal that counts the rows it gives."""

    def __init__(self, journal: Readable) -> None:
        self.journal, self.given = journal, 0

    async def rows(self, sql: str, values: tuple[Any, ...] = ()) -> list[tuple[Any, ...]]:
        found = await self.journal.rows(sql, values)
        self.given += len(found)
        return found


async def test_years_before_it_cost_no_more_rows(tmp_path: Path, studio: Bench) -> None:
    """A cast on each Monday of the year before the week, against the last five of them alone."""
    rows = []
    for weeks in (5, 52):
        script = Script()
        for n in range(weeks):
            script.cast(replace(CASTS[0], day=-7 * (weeks - 1 - n)))
        path = tmp_path / f"{weeks}.db"
        async with Journal(path) as journal:
            await journal.write(script.writes)
            counted = Counted(journal)
            assert (await make_report(counted, studio, "week", "last", SUNDAY_T)).data["pours"] == 1
        rows.append(counted.given)
    assert rows[1] <= 1.2 * rows[0]


async def test_the_recorded_day_says_which_measurement_would_help(day_journal: Path, studio: Bench) -> None:
    """Three loads with curves, gauges and solved sections: the estimates are made of its own readings."""
    data = (await week(day_journal, studio)).data
    gains = {gain["measure"]: gain for gain in data["gains"]}
    gas, pull = gains["gas probe in the pot"], gains["feel at a pull near its time"]
    assert 0.5 < gas["with_it"] < gas["now"] < 8.0  # minutes, of holds of eight and more
    assert (gas["helps"], pull["helps"], pull["of"]) == (3, 9, 9)
    assert 0.5 < pull["with_it"] / pull["now"] < 0.9
    assert gains["scale"]["lacking"] == "in use: every pour of the week was weighed"
    assert data["would_help"] == max(data["gains"], key=lambda gain: gain["weight"])["measure"]
    assert Counter(v["says"] for v in data["verdicts"] if v["what"] in ("kick", "part")) == {"right": 12}


# ---------------------------------------------------------------------------------------------------- what would help


def test_the_chance_of_so_many_outside_is_the_binomials() -> None:
    for outside, of in ((0, 5), (1, 3), (2, 10), (7, 12)):
        assert chance_of(outside, of) == pytest.approx(float(stats.binom.sf(outside - 1, of, 0.1)), rel=1e-12)


def test_what_a_line_explains_is_the_adjusted_r_squared() -> None:
    rng = np.random.default_rng(7)
    for n, slope in ((6, 3.0), (12, 1.0), (30, 0.5)):
        x = rng.normal(size=n)
        y = 170.0 + slope * x + rng.normal(size=n)
        spread, rest = spread_explained(x.tolist(), y.tolist())
        r2 = float(stats.linregress(x, y).rvalue) ** 2
        adjusted = 1.0 - (1.0 - r2) * (n - 1) / (n - 2)
        assert spread == pytest.approx(float(np.std(y, ddof=1)))
        assert 1.0 - (rest / spread) ** 2 == pytest.approx(max(0.0, adjusted))


def test_what_a_pull_may_feel_like_leaves_the_belief_as_wide_as_it_was_on_the_mean() -> None:
    """Law of total variance: the mean of what is left, and the spread of what is believed then, add to what was."""
    belief = belief_of(None, 6.0)
    pulls = [Pull(mold="m", resin="r", after_s=1500.0, feel=feel, green_s=1000.0, hard_s=1500.0)
             for feel in ("hard", "green", "rubbery")]  # fmt: skip
    chances = np.array([belief.expects(pull) for pull in pulls])
    chances = chances / chances.sum()
    after = [belief.after(pull) for pull in pulls]
    left = float(chances @ np.array([each.sd**2 for each in after]))
    means = np.array([each.mean for each in after])
    assert left + float(chances @ means**2) - float(chances @ means) ** 2 == pytest.approx(belief.sd**2, rel=1e-9)
    assert math.sqrt(left) < 0.75 * belief.sd


def test_the_gas_that_a_probe_would_have_read_keeps_p_over_t() -> None:
    """Gay-Lussac: at constant mass and volume p/T is constant, pressures absolute."""
    samples = tuple((float(t), 290.0 - 15.0 * (1.0 - math.exp(-t / 60.0)), None) for t in range(600))
    fill = Fill(pot="barrel", target_kpa=290.0, p_atm_kpa=101.325, samples=samples, shut_t=30.0, room_c=21.0)
    probed = with_gas(fill)
    assert [gas_c for t, _, gas_c in probed.samples if t < 30.0] == [None] * 30
    ratios = [(kpa + 101.325) / (gas_c + 273.15) for t, kpa, gas_c in probed.samples if gas_c is not None and t > 45.0]
    assert max(ratios) / min(ratios) - 1.0 < 1e-3  # smoothed over half a minute
    assert probed.samples[-1][2] == pytest.approx(21.0, abs=0.05)


@pytest.mark.wide
def test_what_a_gas_probe_would_have_gained_is_what_it_gains() -> None:
    """Simulated pots, which share no code with the judgement: proved tight bare, probed, and as if probed."""
    bench = load_settings(CONFIG).bench
    drawn = population.draw_pots(10, 4101)
    fills = population.draw_fills(drawn, 41010)
    heard = population.record(drawn, fills, 950.0, 41010)
    bare, true = ([_fill(fills, heard, k, use_probe) for k in range(10)] for use_probe in (False, True))
    now, gains, told = ([proved_s(bench, fill) or math.inf for fill in each]
                        for each in (bare, true, [with_gas(fill) for fill in bare]))  # fmt: skip
    assert median(gains) < 0.8 * median(now)
    assert median(told) == pytest.approx(median(gains), abs=5.0)  # judged each five seconds
    assert max(abs(a - b) for a, b in zip(told, gains, strict=True)) <= 20.0


def test_marked_kicks_narrow_the_next_window_of_a_cup_without_a_curve(studio: Bench) -> None:
    resin = studio.resins[0]
    lot = replace(next(lot for lot in studio.lots if lot.resin == resin.id), label=resin)
    bench = replace(studio, lots=(lot,))
    lessons = [
        Lesson(pour=f"p{n}", lot=lot.id, kind="witness", mass_g=25.0, lag_s=3.0, label=resin, seconds=(),
               noise_k=0.1, room_c=23.0, start_c=23.0, kick=(kick_s, 0.05), is_marked=False)
        for n, kick_s in enumerate((176.0, 181.0, 172.0))
    ]  # fmt: skip
    few = kick_gain(bench, resin, lessons[:2], [])
    assert (few.now, few.lacking) == (None, "needs 3 pours with a known kick; has 2")
    found = kick_gain(bench, resin, lessons, (_pour("a", lot.id, None), _pour("b", lot.id, "marked")))
    assert found.now is not None
    assert found.with_it is not None
    # a label's own doubt, by its source: labels 0.10, lots 0.18, cups 0.06, ln sd of a time; 90 % of a Gaussian
    assert found.now > 2.0 * math.sinh(1.645 * math.hypot(0.10, 0.18, 0.06)) * resin.pot_life_s
    assert found.with_it < 0.7 * found.now
    assert (found.helps, found.of) == (1, 2)
    both = kick_gain(bench, resin, lessons, (_pour("b", lot.id, "marked"),))
    assert (both.now, both.narrower) == (None, 0.0)
    assert both.lacking == f"in use: {found.with_it:.0f} s wide; without the marks {found.now:.0f} s"


def _pour(id: str, lot: str, basis: str | None, weighed: bool = False) -> Any:
    from benchd.reports.records import PourRecord

    return PourRecord(id=id, number=1, mix_t=MONDAY_T, lot=lot, kick_t=MONDAY_T + 170.0, kick_basis=basis,
                      a_g=150.0 if weighed else None, b_g=135.0 if weighed else None)  # fmt: skip


def test_a_scale_is_recommended_only_where_the_weights_so_far_show_something(studio: Bench) -> None:
    week = [_pour("a", "r-07", None)]
    assert scale_gain(studio, [], week).lacking == "needs 6 weighed pours of one lot with a known kick; has none"
    assert scale_gain(studio, [], [_pour("a", "r-07", None, weighed=True)]).lacking.startswith("in use")
    weighed = [replace(_pour(str(n), "r-07", None), a_g=150.0, b_g=135.0 + n) for n in range(8)]
    slower = scale_gain(studio, [(pour, 160.0 + 2.0 * (pour.b_g - 135.0)) for pour in weighed], week)
    assert slower.with_it == pytest.approx(0.0, abs=1e-6)  # the ratio explains all of it
    assert slower.narrower == pytest.approx(1.0)


def test_the_best_is_what_narrows_most_where_something_was_wrong() -> None:
    gas = Gain(measure="gas", serves="", unit="min", now=2.0, with_it=1.0, helps=3, of=3, area="leak", open_share=0.0)
    pull = Gain(measure="pull", serves="", unit="min", now=40.0, with_it=30.0, helps=9, of=9, open_share=0.5)
    none = Gain(measure="none", serves="", unit="s", lacking="needs 3 pours")
    best = best_of([gas, none, pull])
    assert best is not None
    assert best.measure == "pull"
    assert [gas.weight, pull.weight] == pytest.approx([0.05, 0.125])
    assert best_of([none]) is None
