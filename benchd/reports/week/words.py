"""Judges the words spoken during a pour, and the alarms, by what the pot, the kick and the marks showed afterwards.

Rules.  1. A word is judged only where the kick and the moment the pot was up are known.
2. Late: acted on as quickly as this caster usually does, the pot was still up after the kick.  Missing: up after the
kick, and no word came.
3. Early: the kick came after the window the word went by; after "Last mold" also, when a mold was left empty though it
would have gone.  Needless: the air was on before the word could have done anything, and the pot was up in good time.
4. Where hurrying may have won what was feared, nobody can tell.
5. An alarm is false when a mark contradicts it, or when what it foretold stayed away untouched.
"""

from __future__ import annotations

from dataclasses import dataclass

from benchd.core.bench import Bench
from benchd.core.learned.load_clock import LEAST_MARGIN_S
from benchd.reports import plain
from benchd.reports.records import LoadRecord, Note, Part, PourRecord, Records
from benchd.reports.week.told import Alarm, PourTold, WeekTold
from benchd.reports.week.verdicts import Doubt, Says, Verdict, kick_doubt
from benchd.watchers.pace.tune import Settings as PaceSettings
from benchd.watchers.pace.usual import Usual

PRESSED = ("pot-losing", "pot-letting-go", "pot-leaking-fast", "gauge-dropped", "pot-below-floor")
"""Alarms about pressure that is being lost: nothing was lost if the pot was being opened."""
OPENED_S = 120.0  # from the begin of a vent to its first part: common practice, no source
UNTOLD: tuple[Says, str] = ("unknown", "nothing afterwards speaks for it or against it")
SOFT = ("rubbery", "hot")
TUNE = PaceSettings()


@dataclass(frozen=True, slots=True)
class _Came:
    """What came of a pour: its load, when its pot was up, the earliest kick of its load, how far apart."""

    bench: Bench
    pour: PourRecord
    told: PourTold
    load: LoadRecord
    up_t: float
    kick_t: float
    rise_t: float

    @property
    def lead_s(self) -> float:
        """From the pot up to the kick; negative when the pressure came too late."""
        return self.kick_t - self.up_t

    @property
    def usual(self) -> Usual:
        """How long each step takes this caster and this pot."""
        return Usual(self.bench, TUNE, self.load.pot)

    def is_prompt(self, t: float, more_s: float = 0.0) -> bool:
        """Whether a word at t was acted on as quickly as is usual."""
        usual_s = TUNE.react_s + self.usual.lid_s() + self.usual.fill_s() + TUNE.overdue_s + more_s
        return self.up_t - t <= usual_s

    @property
    def words(self) -> str:
        """How it went."""
        return plain.ahead(self.lead_s).rstrip(".").lower()


def call_verdicts(bench: Bench, records: Records, told: WeekTold) -> list[Verdict]:
    """Each "Last mold", "Lid now" and "Late", and each load that was late without a word."""
    out: list[Verdict] = []
    for pour in records.pours.values():
        known, came = told.of(pour.id), _came(bench, records, pour, told)
        if came is None:
            out += [_unknown(name, t, pour.id) for t, name in known.calls]
            continue
        out += [_call(name, t, came) for t, name in known.calls]
        if came.lead_s < 0.0 and not known.calls and not pour.inferred:
            why = f"no word came; {came.words}"
            out.append(_verdict("late load", came.kick_t, came, "missing", why))
    return out


def _came(bench: Bench, records: Records, pour: PourRecord, told: WeekTold) -> _Came | None:
    load = records.loads.get(pour.load or "")
    kick_t = None if load is None else records.kick_t(load)
    if load is None or load.at_pressure_t is None or kick_t is None:
        return None
    rise_t = told.rises.get(load.id, load.closed_t)
    return _Came(bench, pour, told.of(pour.id), load, load.at_pressure_t, kick_t, rise_t)


def _unknown(name: str, t: float, pour: str) -> Verdict:
    return Verdict(what=name, t=t, pour=pour, says="unknown", doubt="unknown", why="kick or pressure is not known")


def _verdict(name: str, t: float, came: _Came, says: Says, why: str) -> Verdict:
    doubt: Doubt = "unknown" if says == "unknown" else kick_doubt(came.pour)
    if says == "needless" and doubt == "seen":
        doubt = "inferred"  # what the caster would have done without the word is not seen
    return Verdict(what=name, t=t, pour=came.pour.id, says=says, doubt=doubt, why=why)


def _call(name: str, t: float, came: _Came) -> Verdict:
    match name:
        case "last_mold":
            says, why = _last_mold(t, came)
        case "lid_now":
            says, why = _lid_now(t, came)
        case _:
            says, why = _late(t, came)
    return _verdict(name, t, came, says, f"{why}; {came.words}")


def _last_mold(t: float, came: _Came) -> tuple[Says, str]:
    after = sum(at > t for at in came.told.filled)
    pour_s = came.usual.pour_s()
    if came.lead_s < 0.0:
        is_followed = after <= 1 and came.is_prompt(t, pour_s)
        return ("late", "it was followed") if is_followed else ("right", "it was not followed")
    if after > 1 and came.lead_s >= LEAST_MARGIN_S:
        return "needless", f"{after} molds were filled after it"
    spare_s = came.lead_s - LEAST_MARGIN_S
    if came.told.left and spare_s > pour_s:
        return "early", f"{came.told.left} left empty, with {spare_s:.0f} s to spare"
    return "right", "followed"


def _lid_now(t: float, came: _Came) -> tuple[Says, str]:
    window = came.told.kick_by(t)
    if came.lead_s < 0.0:
        return ("late", "it was followed") if came.is_prompt(t) else ("right", "it was followed late")
    if came.rise_t <= t + TUNE.react_s and came.lead_s >= LEAST_MARGIN_S:
        return "needless", "the air was on already"
    if window is not None and came.kick_t > window.late:
        return "early", f"the kick came {came.kick_t - window.late:.0f} s after its window"
    return "right", "followed"


def _late(t: float, came: _Came) -> tuple[Says, str]:
    if came.lead_s < LEAST_MARGIN_S:
        return "right", "little or nothing was left"
    fill_s = came.up_t - came.rise_t
    if came.rise_t > t + TUNE.react_s:
        return "unknown", "hurrying may have won it"
    is_quick = fill_s < came.usual.fill_s() - TUNE.overdue_s
    return ("unknown", "a quicker fill may have won it") if is_quick else ("needless", "the air was on already")


# ------------------------------------------------------------------------------------------------------------ the parts


def part_verdicts(bench: Bench, records: Records, told: WeekTold) -> list[Verdict]:
    """Each part that came out, against the words about it: those that came out before any word too."""
    return [_part(bench, part, told.of(part.pour)) for part in records.parts() if part.out_t is not None]


def _part(bench: Bench, part: Part, told: PourTold) -> Verdict:
    out_t = part.out_t or 0.0
    words = [(t, stage) for t, stage in told.words.get(part.mold, ()) if t <= out_t]
    mold = bench.mold(part.mold)
    is_green = mold is not None and mold.pull == "green"
    says, why = _before(part, is_green) if not words else _after(part, words[-1], out_t)
    doubt: Doubt = "unknown" if says == "unknown" else "seen"
    return Verdict(what="part word", t=out_t, pour=part.pour, mold=part.mold, says=says, doubt=doubt, why=why)


def _before(part: Part, is_green: bool) -> tuple[Says, str]:
    """Of a part pulled before its word."""
    if part.feel is None:
        return "unknown", "out before its word, not felt"
    ready = ("green", "hard", "stuck") if is_green else ("hard", "stuck")
    says: Says = "late" if part.feel in ready else "right"
    return says, f"out before its word, felt {part.feel}"


def _after(part: Part, word: tuple[float, str], out_t: float) -> tuple[Says, str]:
    """Of a part pulled after a word: `test` promises nothing, "going-hard" only that it was green."""
    t, stage = word
    why = f'{(out_t - t) / 60.0:.0f} min after "{stage}", felt {part.feel or "unsaid"}'
    if part.feel is None:
        return "unknown", why
    soft = (*SOFT, "green") if stage == "hard" else ("rubbery",) if stage in ("green", "going-hard") else ()
    return ("early" if part.feel in soft else "right"), why


# ----------------------------------------------------------------------------------------------------------- the alarms


def alarm_verdicts(bench: Bench, records: Records, told: WeekTold) -> list[Verdict]:
    """Alarms that can be judged by marks; kicks told too soon or too late, and cups given up, by a marked kick."""
    out = [_alarm(bench, records, alarm) for alarm in told.alarms if alarm.code in (*PRESSED, "floor-ahead")]
    for pour in records.pours.values():
        out += _cup(pour, told.of(pour.id))
    return out


def _alarm(bench: Bench, records: Records, alarm: Alarm) -> Verdict:
    load = _load_at(records, alarm)
    pour = "" if load is None or not load.pours else load.pours[0]
    if load is None:
        says, why = UNTOLD
    else:
        says, why = _floor(bench, load) if alarm.code == "floor-ahead" else _pressed(records, load, alarm)
    doubt: Doubt = "seen" if says == "false" else "inferred" if says in ("needless", "right") else "unknown"
    return Verdict(what=alarm.code, t=alarm.t, pour=pour, says=says, doubt=doubt, why=why)


def _load_at(records: Records, alarm: Alarm) -> LoadRecord | None:
    began = [x for x in records.loads.values() if x.pot == alarm.pot and x.closed_t <= alarm.t]
    return began[-1] if began else None


def _pressed(records: Records, load: LoadRecord, alarm: Alarm) -> tuple[Says, str]:
    """A part out, or a mark that the pot was emptied, right after it began: it was being opened, not losing air."""
    outs = [part.out_t for pour in records.of_load(load) for part in pour.parts if part.out_t is not None]
    if any(alarm.t <= t <= alarm.t + OPENED_S for t in outs):
        return "false", "a part was out within two minutes: the pot was being opened"
    if any(_is_emptied(note) and abs(note.t - alarm.t) <= OPENED_S for note in records.notes):
        return "false", "the pot was being emptied, by a mark"
    return UNTOLD


def _is_emptied(note: Note) -> bool:
    return note.verb == "dumped"


def _floor(bench: Bench, load: LoadRecord) -> tuple[Says, str]:
    """The floor foreseen: reached or not, where nobody added air."""
    pot = bench.pot(load.pot)
    if load.top_ups or load.min_kpa is None or pot is None:
        return "unknown", "topped up, so that nobody can tell" if load.top_ups else "the hold was not judged"
    if load.min_kpa < pot.floor_kpa:
        return "right", "the floor was reached"
    return "needless", "untouched, the floor was not reached"


def _cup(pour: PourRecord, told: PourTold) -> list[Verdict]:
    """A kick found in the curve against the one marked afterwards; a cup given up that kicked or cured."""
    out: list[Verdict] = []
    marked = pour.kick_t if pour.kick_basis == "marked" else None
    by_curve = next((window for window, basis in told.found if basis == "curve"), None)
    if marked is not None and by_curve is not None:
        is_off = not by_curve.early <= marked <= by_curve.late
        why = f"told {by_curve.likely - pour.mix_t:.0f} s after the mix, marked {marked - pour.mix_t:.0f}"
        says: Says = "false" if is_off else "right"
        out.append(Verdict(what="kick found", t=by_curve.t, pour=pour.id, says=says, doubt="seen", why=why))
    if told.no_cure_t is not None:
        felt = [part.feel for part in pour.parts if part.feel in ("hard", "green", "stuck")]
        is_false = marked is not None or bool(felt)
        why = "its kick was marked" if marked is not None else f"a part came out {felt[0]}" if felt else "nothing shows"
        out.append(Verdict(what="no cure", t=told.no_cure_t, pour=pour.id, says="false" if is_false else "unknown",
                           doubt="seen" if is_false else "unknown", why=why))  # fmt: skip
    return out
