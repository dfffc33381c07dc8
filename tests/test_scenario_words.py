"""Whole scenarios and every word said in them: golden, and checked by rules that know nothing of how words are chosen.

    python tests/test_scenario_words.py      plays all and writes recordings/scenarios.words.txt anew: read the diff;
                                             with BENCHD_WRITE_SCORECARD=1 the alarms in accuracy/README.md, too

The rules, over each scenario: no two standing instructions contradict; no number is older than two seconds; every P1
says what to do; no two alarms of a pot take turns; at most six utterances a minute from mix to pressure. Alarms a load
are reported beside EEMUA 191, *Alarm systems: a guide to design, management and procurement*, https://www.eemua.org:
under one in ten minutes over the long run is very likely acceptable, over two likely too demanding; under ten in the
ten minutes after an upset should be manageable.
"""

from __future__ import annotations

import re
from collections.abc import Iterator
from dataclasses import dataclass, replace
from functools import cache
from pathlib import Path
from typing import Any

import prep_day
import pytest
import two_pots
from accuracy.card import DOCUMENT, put
from some_of import some_of

from benchd.core.bench import Bench
from benchd.core.bench.context import context_parts
from benchd.core.engine import Engine
from benchd.core.findings import PotAtPressure, PourStarted
from benchd.core.format.mark_form import mark_from_body
from benchd.core.model import Alert, Input, Line, Reading, Table, Utterance
from benchd.core.mold_forecast import resin_hash
from benchd.core.units import KPA_PER_PSI, number_words
from benchd.plugins import load_settings, watcher_plan
from benchd.rehearsal import Rehearsal, Scenario, load_scenario
from benchd.rehearsal.acts import Act
from benchd.runtime.watch.sections import solve_plain

GOLDEN = Path(__file__).parent / "recordings" / "scenarios.words.txt"
CONFIG = Path(__file__).resolve().parents[1] / "config" / "bench.toml"
T0 = 1_767_602_340.0  # 08:39 of an invented Monday
LEAD_S = 60.0  # from a rehearsal's start to its first mix
MOST_A_MINUTE = 6
STANDS_S = 10.0
"""How long an instruction stands after it was said: a P1's first repeat [common practice, no source]."""
AIR_ON = ("air on", "add air", "lid and air", "keep filling", "top up")
AIR_OFF = ("shut the air", "shut the inlet", "cut air", "cut the air")
TO_POT = (*AIR_ON, *AIR_OFF, "close the bleed", "ease the bleed", "vent slowly", "throttle", "lid now")
AWAY = ("get clear", "stand clear", "step back")
ACTS = ("don't open", *TO_POT, *AWAY, "bleed shut?", "bleed open?", "hands off", "watch the dial", "use the timer",
        "pot may be full", "set it down")  # fmt: skip
OF_PARTS = ("part-", "hold-lost", "post-cure", "air-wet")
CUT_AT_ONCE = ("air at the compressor",)
"""Said with "Get clear": it is done away from the pot."""


@dataclass(frozen=True)
class Said:
    """All that one scenario's engine said and raised, and the pots' gauges (t, psi, pot)."""

    said: tuple[Utterance, ...]
    raised: tuple[Alert, ...]
    gauge: tuple[tuple[float, float, str], ...]
    mixes: tuple[float, ...]
    ups: tuple[float, ...]
    acts: tuple[Act, ...] = ()
    """What the caster truly did; nothing is known of two loads at once."""


def scripted() -> dict[str, Scenario]:
    """The packaged scenarios of one load, and some of their own."""
    names = ("load-1", "load-2-crumb", "load-3-damp", "pressurised-late", "relief-stuck", "creep", "probe-lifted",
             "clogged-port", "hose-tap", "half-by-weight")  # fmt: skip
    out = {name: load_scenario(name) for name in names}
    good = out["load-1"]
    out["fast-leak"] = replace(good, name="fast-leak", acts=added(good, Act(at_s=360.0, do="leak", hole_mm=0.7)))
    out["leaking-fast"] = replace(good, name="leaking-fast", acts=added(good, Act(at_s=360.0, do="leak", hole_mm=0.45)))
    soon = tuple(replace(act, at_s=143.0) if act.do == "inlet_shut" else act for act in good.acts)
    out["shut-too-soon"] = replace(good, name="shut-too-soon", acts=tuple(sorted(soon, key=lambda act: act.at_s)))
    lost = Act(at_s=400.0, do="bleed_open", over_s=30.0)
    out["lost-hold"] = replace(good, name="lost-hold", acts=added(good, lost))
    out["busy-computer"] = replace(good, name="busy-computer")
    out["label-in-full"] = replace(good, name="label-in-full", acts=stirred(good, 32.0))
    vents = tuple(replace(act, at_s=690.0) if act.do == "bleed_open" else act for act in out["creep"].acts)
    out["prep-day"] = replace(good, name="prep-day")
    out["hand-over"] = replace(out["creep"], name="hand-over", acts=tuple(sorted(vents, key=lambda act: act.at_s)))
    hot = replace(good, name="hot-day", room=replace(good.room, temp_c=25.0))
    out["hot-day"] = replace(hot, acts=stirred(good, 23.0))
    out["cools-low"] = replace(good, name="cools-low", pot=replace(good.pot, inlet_mm=2.6))
    out["mixed-cold"] = replace(good, name="mixed-cold", room=replace(good.room, temp_c=17.0))
    out["hot-day-stirs-on"] = replace(hot, name="hot-day-stirs-on", acts=stirred(good, 50.0))
    return out


def stirred(scenario: Scenario, for_s: float) -> tuple[Act, ...]:
    """The acts of a scenario whose cup is stirred for so long [s]: all that follows comes earlier or later by it."""
    by_s = for_s - next(act.mix_s for act in scenario.acts if act.do == "mix")
    later = (replace(act, at_s=act.at_s + by_s) if act.at_s > 0.0 else act for act in scenario.acts)
    return tuple(replace(act, mix_s=for_s) if act.do == "mix" else act for act in later)


def added(scenario: Scenario, act: Act) -> tuple[Act, ...]:
    return tuple(sorted((*scenario.acts, act), key=lambda each: each.at_s))


ADA, BO = "page:Ada", "page:Bo"
PEOPLE: dict[str, tuple[tuple[float, dict[str, Any]], ...]] = {
    "hand-over": (
        (10.0, {"verb": "watch", "by": ADA}), (62.0, {"verb": "mix", "by": BO}),
        (500.0, {"verb": "watch", "by": ADA, "text": "Bo"}), (540.0, {"verb": "note", "by": BO, "text": "at the pot"}),
        (825.0, {"verb": "heard", "by": BO}),
    ),
}  # fmt: skip
"""What two people mark besides, with their phones, in a scenario: (s after its start, the mark)."""

LABELS: dict[str, dict[str, Any]] = {
    "label-in-full": {"stir_s": 30.0, "post_cure_s": 14_400.0, "post_cure_c": 65.0},
}
"""What the label says besides, in a scenario."""


def labelled(bench: Bench, more: dict[str, Any]) -> Bench:
    """The bench whose resins and lots all say this, too."""
    lots = tuple(replace(lot, label=replace(lot.label, **more)) for lot in bench.lots)
    return replace(bench, resins=tuple(replace(resin, **more) for resin in bench.resins), lots=lots)


def stalled(t_s: float, name: str) -> float:
    """When a line of t_s is read: a busy computer reads nothing for three of every ten seconds."""
    return t_s if name != "busy-computer" or t_s % 10.0 < 7.0 else t_s - t_s % 10.0 + 10.0


def inputs_of(name: str) -> Iterator[Input]:
    """What the bench is told in a scenario, in order."""
    loaded = load_settings(CONFIG)
    bench = two_pots.bench_of(loaded.bench) if name == TWO_POTS else labelled(loaded.bench, LABELS.get(name, {}))
    resin = bench.resin("fast-white")
    assert resin is not None
    config, shelf, resins = context_parts(bench)
    yield replace(loaded.context(T0), config=config, shelf=shelf, resins=resins)
    yield Table(T0, resin.id, resin_hash(resin), solve_plain(resin))
    if name == TWO_POTS:
        yield from two_pots.inputs(T0, 3)
        return
    rehearsed = _rehearsed(name)
    if name == PREP_DAY:
        yield from prep_day.inputs(bench, T0, rehearsed)
    else:
        yield from (item for _, item in rehearsed)


def _rehearsed(name: str) -> Iterator[tuple[float, Input]]:
    """(s after its start, input) of a scenario's marks and lines."""
    people = list(PEOPLE.get(name, ()))
    for frame in Rehearsal(scripted()[name], 3).frames():
        t = T0 + stalled(frame.t_s, name)
        while people and people[0][0] <= frame.t_s:
            yield frame.t_s, mark_from_body(t, people.pop(0)[1])
        for mark in frame.marks:
            body = {key: value for key, value in mark.items() if key != "t_s"}
            yield frame.t_s, mark_from_body(max(t, T0 + float(mark["t_s"])), body)
        for line in frame.lines:
            yield frame.t_s, Line(t, "board", line.decode().rstrip("\n"))


@cache
def played(name: str) -> Said:
    engine = Engine(watcher_plan)
    effects = [effect for item in inputs_of(name) for effect in engine.step(item)]
    gauge = [(e.t, e.value / KPA_PER_PSI, e.of) for e in effects
             if isinstance(e, Reading) and e.role == "pot_pressure" and e.value is not None]  # fmt: skip
    return Said(
        tuple(e for e in effects if isinstance(e, Utterance)),
        tuple(e for e in effects if isinstance(e, Alert) and e.active and not e.heard and e.priority <= 2),
        tuple(gauge),
        tuple(e.mix_t for e in effects if type(e) is PourStarted),
        tuple(e.t for e in effects if isinstance(e, PotAtPressure)),
        scenario.acts if (scenario := scripted().get(name)) else (),
    )


def words_of(name: str) -> str:
    """The scenario's words as golden: m:ss after the rehearsal's start, priority, code, words."""
    lines = [f"== {name}"]
    for u in played(name).said:
        minutes, seconds = divmod(int(u.t - T0), 60)
        to = f" (to {u.to})" if u.to else ""
        lines.append(f"{minutes:3}:{seconds:02} P{u.priority} {u.code}: {u.say}{to}")
    return "\n".join(lines) + "\n"


# ------------------------------------------------------------------------------------------------------- the rules


def contradictions(said: Said) -> list[str]:
    """Pairs of instructions about one pot, the second said while the first stands, that nobody can follow both."""
    wrong = []
    for one, other in pairs(said.said):
        a, b = one.say.lower(), other.say.lower()
        air = (has(a, AIR_ON) and has(b, AIR_OFF)) or (has(a, AIR_OFF) and has(b, AIR_ON))
        place = has(a, AWAY) and has(b, TO_POT) and not has(b, CUT_AT_ONCE)
        if air or place:
            wrong.append(f"{one.t - T0:.0f} {one.say} / {other.t - T0:.0f} {other.say}")
    return wrong


def alternating(said: Said) -> list[str]:
    """Alarms of one pot that take turns: one, another, and the first again within half a minute."""
    urgent = [u for u in said.said if u.priority == 1]
    turns = zip(urgent, urgent[1:], urgent[2:], strict=False)
    return [
        f"{a.t - T0:.0f} {a.say} / {b.say}"
        for a, b, c in turns
        if a.code == c.code != b.code and a.subject.pot == b.subject.pot and c.t - a.t < 30.0
    ]


def pairs(said: tuple[Utterance, ...]) -> Iterator[tuple[Utterance, Utterance]]:
    for i, one in enumerate(said):
        for other in said[i + 1 :]:
            if other.t - one.t > STANDS_S:
                break
            if one.subject.pot == other.subject.pot:
                yield one, other


def has(say: str, words: tuple[str, ...]) -> bool:
    return any(word in say for word in words)


NUMBER = re.compile(
    r"^(?:(?:barrel|drum)[. ]*)?(?:at |(?:pot )?low, |leaking fast, )?([a-z-]+)(?: psi)?[.]", re.IGNORECASE
)
SPELLED = {number_words(n): float(n) for n in range(0, 100)}


def stale(said: Said) -> list[str]:
    """Pressures said that the gauge did not read, to a psi and a half, within the two seconds before."""
    wrong = []
    for u in said.said:
        found = NUMBER.match(u.say)
        value = SPELLED.get(found[1].lower()) if found else None
        if value is None:
            continue
        near = [psi for t, psi, pot in said.gauge if pot == u.subject.pot and u.t - 2.0 <= t <= u.t + 0.5]
        if near and min(abs(psi - value) for psi in near) > 1.5:
            wrong.append(f"{u.t - T0:.0f} {u.say}: the gauge read {near[-1]:.1f}")
    return wrong


def nameless(said: Said) -> list[str]:
    """What is said of a pot or cup without saying which; the parts' own names, and the bench's words, name enough."""
    names = ("Barrel", "Drum", *(name for _, name in two_pots.CUPS))
    about = [u for u in said.said if (u.subject.pot or u.subject.cup) and not has(u.code, OF_PARTS)]
    return [f"{u.t - T0:.0f} {u.say}" for u in about if not has(u.say, names)]


def untimely(said: Said) -> list[str]:
    """ "Stop stirring" said before 20 s, after the cup was last stirred, or twice; "Post-cure" with a part still in."""
    mixes = [(T0 + LEAD_S + act.at_s, act.mix_s) for act in said.acts if act.do == "mix"]
    outs = [T0 + LEAD_S + act.at_s for act in said.acts if act.do == "demold"]
    stops = [u for u in said.said if u.code == "stop-stirring"]
    wrong = [u for u in stops if not any(20.0 <= u.t - mix_t <= stirred_s for mix_t, stirred_s in mixes)]
    wrong += stops[len(mixes) :]
    wrong += [u for u in said.said if u.code == "post-cure" and not (outs and max(outs) <= u.t <= max(outs) + 30.0)]
    return [f"{u.t - T0:.0f} {u.say}" for u in wrong]


def misaddressed(name: str, said: Said) -> list[str]:
    """What is said to one alone though it is urgent, is no alarm, was said before, or is not for who has the watch;
    and a watch taken that nobody is told of within half a minute."""
    marks, wrong, before = PEOPLE.get(name, ()), [], dict[str, float]()
    taken = [(T0 + s, str(m.get("text") or m["by"].partition(":")[2])) for s, m in marks if m["verb"] == "watch"]
    for u in said.said:
        since_t = max((a.t for a in said.raised if a.alert == u.code and a.t <= u.t), default=0.0)
        holder = [who for t, who in taken if t <= u.t][-1:]
        is_first = before.get(u.code, -1.0) < since_t
        if u.to and (u.priority != 2 or [u.to] != holder or not is_first):
            wrong.append(f"{u.t - T0:.0f} {u.say} to {u.to}")
        before[u.code] = u.t
    yours = [u for u in said.said if u.code == "watch-yours"]
    untold = [who for t, who in taken if not any(t <= u.t <= t + 30.0 and who in u.say for u in yours)]
    return wrong + untold


def out_of_turn(name: str, said: Said) -> list[str]:
    """Words of steps before the next load that are not due, in mid-pour, over an alarm, or missing (prep_day.py)."""
    if name != PREP_DAY:
        return [u.say for u in said.said if u.code.startswith("prep-")]
    busy = [(mix_t, min((t for t in said.ups if t > mix_t), default=mix_t + 300.0)) for mix_t in said.mixes]
    return prep_day.out_of_turn(load_settings(CONFIG).bench, T0, said.said, busy)


def most_a_minute(said: Said) -> int:
    """The most utterances in any minute between a mix and its pressure."""
    most = 0
    for mix_t in said.mixes:
        up_t = min((t for t in said.ups if t > mix_t), default=mix_t + 300.0)
        times = [u.t for u in said.said if mix_t <= u.t <= up_t]
        most = max(most, *(sum(t <= other < t + 60.0 for other in times) for t in times), 0)
    return most


def alarms_in_ten(said: Said) -> tuple[int, float]:
    """(most new alarms in any ten minutes, new alarms per ten minutes from the first mix to the end)."""
    times = [a.t for a in said.raised]
    most = max((sum(t <= other < t + 600.0 for other in times) for t in times), default=0)
    return most, 600.0 * len(times) / (said.gauge[-1][0] - said.mixes[0])


PREP_DAY = "prep-day"
TWO_POTS = "two-pots-three-cups"
NAMES = ("relief-stuck", "fast-leak", "leaking-fast", "shut-too-soon", "load-1", "load-2-crumb", "load-3-damp",
         "pressurised-late", "creep", "probe-lifted", "clogged-port", "hose-tap", "half-by-weight", "lost-hold",
         "busy-computer", TWO_POTS, "label-in-full", "hot-day", "hot-day-stirs-on", "hand-over", PREP_DAY,
         "cools-low", "mixed-cold")  # fmt: skip


@pytest.mark.wide
@pytest.mark.timeout(300)
@pytest.mark.parametrize("name", NAMES)
def test_every_word_of_a_scenario_is_as_it_was_and_by_the_rules(name: str) -> None:
    by_rule(name)
    assert words_of(name) in GOLDEN.read_text("utf-8")
    assert alarm_row(name) in DOCUMENT.read_text("utf-8")


@pytest.mark.timeout(120)
@pytest.mark.parametrize("name", some_of(["relief-stuck", "fast-leak"], 1))
def test_one_scenario_keeps_the_rules(name: str) -> None:
    by_rule(name)
    assert words_of(name) in GOLDEN.read_text("utf-8")


def by_rule(name: str) -> None:
    said = played(name)
    assert said.said, "a scenario in which nothing is said checks nothing"
    assert contradictions(said) == []
    assert alternating(said) == []
    assert stale(said) == []
    assert [u.say for u in said.said if u.priority == 1 and not has(u.say.lower(), ACTS)] == []
    assert most_a_minute(said) <= MOST_A_MINUTE
    assert nameless(said) == [] or name != TWO_POTS
    assert untimely(said) == []
    assert misaddressed(name, said) == []
    assert out_of_turn(name, said) == []
    most, _ = alarms_in_ten(said)
    assert most < 10, "EEMUA 191: under ten in the ten minutes after an upset"


def test_the_rules_see_what_they_look_for() -> None:
    """Each rule against words that break it."""
    good = played_words(
        (0.0, 1, "Pot over pressure. Shut the air off."), (5.0, 1, "Thirty-five psi. Below floor. Air on.")
    )
    assert len(contradictions(good)) == 1
    away = played_words((0.0, 1, "Pot letting go. Stand clear."), (4.0, 2, "Close the bleed. Four more minutes."))
    assert len(contradictions(away)) == 1
    assert len(contradictions(played_words((0.0, 1, "Get clear."), (20.0, 3, "Lid now.")))) == 0, "no longer stands"
    turns = coded(*((5.0 * k, 1, "Pot low, thirty. Add air.", ("pot-low", "leaking")[k % 2]) for k in range(3)))
    assert len(alternating(turns)) == 1
    assert alternating(coded(*((5.0 * k, 1, "Pot low.", "low" if k < 2 else "leaking") for k in range(3)))) == []
    old = replace(played_words((10.0, 1, "Thirty-five psi. Below floor. Air on.")), gauge=((T0 + 9.0, 1.0, "barrel"),))
    assert len(stale(old)) == 1
    assert stale(replace(old, gauge=((T0 + 9.0, 34.8, "barrel"),))) == []
    assert len(nameless(good)) == 2
    named = played_words((0.0, 3, "Barrel. Past floor. Keep the air on."), (9.0, 3, "Cup one. Kick. Pressure is up."))
    assert nameless(named) == []
    hand = (Act(at_s=0.0, do="mix", mix_s=50.0), Act(at_s=900.0, do="demold"), Act(at_s=1200.0, do="demold"))
    late = [(s, 3, "Stop stirring.", "stop-stirring") for s in (70.0, 90.0, 111.0)]
    cure = [(s, 3, "Post-cure two casts: four hours at sixty-five.", "post-cure") for s in (970.0, 1265.0)]
    assert [word.split()[0] for word in untimely(replace(coded(*late, *cure), acts=hand))] == [
        "70", "111", "90", "111", "970",
    ]  # fmt: skip
    assert untimely(replace(coded(late[1], cure[1]), acts=hand)) == []
    loud = coded((500.0, 1, "Get clear.", "x"), (510.0, 2, "Pot creeping up.", "y"), (520.0, 3, "Lid now.", "z"))
    to_ada = replace(loud, said=tuple(replace(u, to="Ada") for u in loud.said))
    wrong = [word.partition(" to ")[2] or word for word in misaddressed("hand-over", to_ada)]
    assert wrong == ["Ada", "Ada", "Ada", "Ada", "Bo"]
    assert misaddressed("hand-over", loud) == ["Ada", "Bo"], "nobody was told of a watch"
    early = coded((840.0, 3, "Release spray on Porter pack frame and Heron legs now.", "prep-spray"),
                 (2000.0, 3, "Warm Heron legs now.", "prep-warm"), (2001.0, 1, "Get clear.", "x"),
                 (2002.0, 3, "Drain the tank now.", "prep-tank"))  # fmt: skip
    turns_of = out_of_turn(PREP_DAY, early)
    assert any("over an alarm: Drain" in wrong for wrong in turns_of)
    assert any(wrong.endswith("Drain the tank now.") for wrong in turns_of), "not due yet"
    assert {"weigh", "warm-m07"} <= set(turns_of), "never said"
    assert out_of_turn("load-1", early)[-1] == "Drain the tank now.", "without a sheet nothing is due"
    chatter = played_words(*((float(s), 3, "Lid now.") for s in range(0, 56, 8)))
    assert most_a_minute(chatter) == 7


def played_words(*said: tuple[float, int, str]) -> Said:
    return coded(*((*each, "x") for each in said))


def coded(*said: tuple[float, int, str, str]) -> Said:
    from benchd.core.model import Subject

    pot = Subject(bench="north", pot="barrel")
    each = tuple(
        Utterance(t=T0 + s, say=say, priority=p, tone="", say_until=T0 + s + 10.0, subject=pot, code=code)
        for s, p, say, code in said
    )
    return Said(each, (), (), (T0,), (T0 + 120.0,))


def alarm_row(name: str) -> str:
    """A scenario's new alarms: in its worst ten minutes, and per ten minutes of it."""
    most, usual = alarms_in_ten(played(name))
    return f"| {name} | {most} | {usual:.1f} |"


def told(name: str) -> tuple[str, str]:
    return words_of(name), alarm_row(name)


if __name__ == "__main__":
    from multiprocessing import Pool

    with Pool(2) as pool:
        all_told = pool.map(told, NAMES, chunksize=1)
    GOLDEN.write_text("\n".join(words for words, _ in all_told), "utf-8")
    head = ["| scenario | new alarms in its worst ten minutes | per ten minutes |", "|---|---|---|"]
    put("alarms a load", [*head, *(alarms for _, alarms in all_told)])
