"""Turns boards' lines into readings, switch presses and notices; bad ones are counted.

Each reading carries the time its board made it (board_clock.py), which may be before what the bench has seen since.
A line that came twice or after later ones is dropped and counted.  One that may be the first after a restart waits for
the next, which proves it.
"""

from __future__ import annotations

import base64
import binascii
from dataclasses import dataclass, field, replace
from typing import Any, Literal

from benchd.core.bench import Bench, Channel
from benchd.core.findings import BenchNotice
from benchd.core.intake.board_clock import BoardClock, Dated
from benchd.core.intake.board_counts import PressCounter, SeqCounter, SeqNews
from benchd.core.intake.calibrate import calibrate
from benchd.core.intake.conditioning import Conditioner, Motion
from benchd.core.intake.sensor import BESIDE_FRESH_S, beside_unit
from benchd.core.intake.wire import Decoded, decode
from benchd.core.model import Line, Quality, RawLine, Reading, Status, Subject
from benchd.core.units import KPA_PER_PSI
from benchd.errors import DecodeError
from benchd.stored import stored

BOARDS_MOST = 64  # whose counts are followed; a line may name itself as it likes
RESTART = "restart"  # what a Gap says of a bench that was started again
GAS = Motion(step=1.0 * KPA_PER_PSI, bend=40.0, is_quick=True)
MOTIONS = {
    "cup_temperature": Motion(4.0, 0.5), "pot_pressure": GAS, "tank_pressure": GAS,
    "room_temperature": Motion(1.0, 0.05), "room_humidity": Motion(5.0, 0.5), "barometer": Motion(0.5, 0.05),
}  # fmt: skip
"""What each conditioned quantity can do.  A cup: 4 C between two samples, as a quick probe does when it is put in; its
slope changes by 0.5 K/s2 at the steepest measured kicks (0 to 4 K/s in some 10 s).  Common practice, no source.

A gas: a quarter turn of a valve brings the 2 psi/s of a fill or vent of 20 s within a third of a second, hence
40 kPa/s2; a fiercer start is undecided for as long as a burst may last.  Its step is 20 times a usual gauge's noise, or
what a fill of 15 s gains in a quarter of a second (both common practice).  A room's air: what a door brings."""
TELL_LINES_EVERY_S = 60.0  # lost or damaged lines are told at most once a minute a source; common practice


@stored("intake")
@dataclass(slots=True)
class Intake:
    """Decoding state of every source: sequence numbers, press counts, counters of what was dropped."""

    _channels: dict[tuple[str, str], Channel] = field(default_factory=dict)
    _of_source: dict[str, list[Channel]] = field(default_factory=dict)
    _checked: dict[str, bool] = field(default_factory=dict)
    _clocks: dict[str, str] = field(default_factory=dict)
    _seq: dict[str, SeqCounter] = field(default_factory=dict)
    _clock: dict[str, BoardClock] = field(default_factory=dict)
    _waiting: dict[str, Line] = field(default_factory=dict)  # of a board that may have restarted, its latest line
    _press: dict[str, PressCounter] = field(default_factory=dict)
    _told_t: dict[str, float] = field(default_factory=dict)
    _untold: dict[str, dict[str, int]] = field(default_factory=dict)
    _bench_id: str = ""
    _p_atm_kpa: float = 101.325
    _barometer: bool = False
    _down: dict[str, str] = field(default_factory=dict)
    _beside_units: dict[tuple[str, str], str] = field(default_factory=dict)
    _beside: dict[tuple[str, str], tuple[float, float]] = field(default_factory=dict)  # (source, record) -> (t, value)
    _conditioners: dict[str, Conditioner] = field(default_factory=dict)
    dropped: dict[str, int] = field(default_factory=dict)

    def configure(self, bench: Bench) -> None:
        """Take a new context's channels; counters go on."""
        self._channels = {(c.source, c.senml): c for c in bench.channels}
        self._of_source = {}
        for channel in bench.channels:
            self._of_source.setdefault(channel.source, []).append(channel)
        self._beside_units = {
            (c.source, c.sensor.beside): beside_unit(c.sensor) for c in bench.channels if c.sensor and c.sensor.beside
        }
        known = [c.id for c in bench.channels]
        self._conditioners = {name: kept for name, kept in self._conditioners.items() if name in known}
        self._checked = {source: crc != "none" for source, crc in bench.sources}
        self._clocks = dict(bench.clocks)
        for key, clock in self._clock.items():
            clock.by_arrival = self._is_by_arrival(key.partition("/")[0])
        self._bench_id = bench.id
        if not self._barometer:
            self._p_atm_kpa = bench.p_atm_kpa

    def take(self, item: Line | RawLine) -> tuple[list[Reading], tuple[str, ...], list[BenchNotice]]:
        """(readings, switch presses as "short" | "long" | "double", notices) of one line."""
        try:
            decoded = decode(_text(item), checked=self._is_checked(item))
        except DecodeError as error:
            return [], (), self._count(item.t, item.source, error.reason)
        key = f"{item.source}/{decoded.board or getattr(item, 'topic', None) or ''}"
        news = self._news(key, item.source, decoded)
        if news.doubtful and isinstance(item, Line):
            notices = self._never_proved(key, item)
            self._waiting[key] = item
            return [], (), notices
        if not news.is_next:
            return [], (), self._count(item.t, item.source, "repeated" if news.repeated else "out of order")
        notices = self._follow(item, news)
        readings, presses = self._begun(key) if news.reset else ([], ())
        notices += self._never_proved(key, item)
        more, pressed = self._said(key, item, decoded, news)
        if more is None:
            self.dropped["late"] = self.dropped.get("late", 0) + 1  # counted, and no news: neither lost nor damaged
            return readings, presses + pressed, notices
        return readings + more, presses + pressed, notices

    def _news(self, key: str, source: str, decoded: Decoded) -> SeqNews:
        for known in (self._seq, self._press, self._clock, self._waiting):
            _make_room(known, key)
        if key not in self._clock:
            self._clock[key] = BoardClock(by_arrival=self._is_by_arrival(source))
        return self._seq.setdefault(key, SeqCounter()).see(decoded.seq, decoded.up)

    def _is_by_arrival(self, source: str) -> bool:
        return self._clocks.get(source) == "arrival"

    def _said(
        self, key: str, item: Line | RawLine, decoded: Decoded, news: SeqNews
    ) -> tuple[list[Reading] | None, tuple[str, ...]]:
        """(readings, presses) of a line in its place; None where its time is not told apart from the last one's."""
        dated = self._clock[key].date(decoded.seq, decoded.up, item.t, news.lost)
        presses: tuple[str, ...] = ()
        if decoded.presses:
            presses = self._press.setdefault(key, PressCounter()).see(decoded.presses)
        return (None if dated.squeezed else self._readings(item.source, decoded, dated)), presses

    def _begun(self, key: str) -> tuple[list[Reading], tuple[str, ...]]:
        """A board restarted: its clock begins, with the line that waited to be proved."""
        self._clock[key].restart()
        self._press.pop(key, None)
        first = self._waiting.pop(key, None)
        if first is None:
            return [], ()
        readings, presses = self._said(key, first, decode(first.line, self._is_checked(first)), SeqNews())
        return readings or [], presses

    def _never_proved(self, key: str, item: Line | RawLine) -> list[BenchNotice]:
        """A line that looked like a restart's first was but out of its place."""
        if self._waiting.pop(key, None) is None:
            return []
        return self._count(item.t, item.source, "out of order")

    def _is_checked(self, item: Line | RawLine) -> bool:
        if isinstance(item, Line) and item.topic is not None:
            return False
        return self._checked.get(item.source, True)

    def _follow(self, item: Line | RawLine, news: SeqNews) -> list[BenchNotice]:
        """Sequence numbers: lost lines are counted, a restart of the board is told."""
        notices: list[BenchNotice] = []
        if news.reset:
            notices.append(self._notice(item.t, item.source, "board-reset", "the board restarted", 1))
        if news.lost:
            notices += self._count(item.t, item.source, "lost", news.lost)
        return notices

    def _readings(self, source: str, decoded: Decoded, dated: Dated) -> list[Reading]:
        """Supplies and cold junctions first: they may stand anywhere on the line of what needs them."""
        out = []
        for name, value, _, unit in decoded.records:
            if value is not None and unit is not None and self._beside_units.get((source, name)) == unit:
                self._beside[(source, name)] = (dated.t, value)
        for name, value, _, unit in decoded.records:
            channel = self._channels.get((source, name))
            if channel is not None:
                out += self._judged(self._reading(dated, channel, value, unit))
        return out + self._faults(source, decoded, dated)

    def _judged(self, reading: Reading) -> list[Reading]:
        """The reading as its channel's conditioner sees it, after the earlier ones it has just proved good."""
        motion = MOTIONS.get(reading.role)
        if motion is None or reading.quality is not Quality.GOOD or reading.value is None:
            return [reading]
        conditioner = self._conditioners.setdefault(reading.channel, Conditioner(motion))
        is_good, proved = conditioner.see(reading.t, reading.value)
        earlier = [replace(reading, t=t, value=value, raw=None) for t, value in proved]
        return [*earlier, reading if is_good else replace(reading, quality=Quality.SUSPECT)]

    def _reading(self, dated: Dated, channel: Channel, value: float | None, unit: str | None) -> Reading:
        true, quality, why = calibrate(channel, value, unit, self._p_atm_kpa, self._beside_of(dated.t, channel))
        if channel.role == "barometer" and true is not None:
            self._p_atm_kpa, self._barometer = true, True
        return Reading(dated.t, channel.id, channel.role, channel.of, true, value, quality, why, dated.doubt_s)

    def _beside_of(self, t: float, channel: Channel) -> float | None:
        """The supply or cold junction a channel's raw number needs; None when it was not heard lately."""
        if channel.sensor is None or not channel.sensor.beside:
            return None
        heard_t, value = self._beside.get((channel.source, channel.sensor.beside), (-1e12, 0.0))
        return value if t - heard_t <= BESIDE_FRESH_S else None

    def _faults(self, source: str, decoded: Decoded, dated: Dated) -> list[Reading]:
        """A `fault` record ("cup open") makes a faulty reading of the channel it names; a supply is unheard again."""
        out = []
        for fault in (decoded.fault or "").split("; "):
            word, _, what = fault.partition(" ")
            channel = self._channels.get((source, f"{decoded.board}{word}"))
            self._beside.pop((source, f"{decoded.board}{word}"), None)
            if word and channel is not None:
                why, of = what or "fault", channel.of
                blind = Reading(dated.t, channel.id, channel.role, of, None, None, Quality.FAULT, why, dated.doubt_s)
                out.append(blind)
        return out

    def gap(self, why: str) -> None:
        """Time was not watched: across a restart of the bench its own clock began at another moment."""
        if why.startswith(RESTART):
            for clock in self._clock.values():
                clock.restart()

    def status(self, item: Status) -> list[Reading]:
        """A source that went down makes each of its channels faulty at once."""
        if item.up:
            self._down.pop(item.source, None)
            return []
        _make_room(self._down, item.source)
        self._down[item.source] = f"{item.source} gone"
        return self._blind(item.t, item.source)

    def left_out(self, item: Status) -> list[BenchNotice]:
        """Bad lines that were counted before they came here."""
        return self._count(item.t, item.source, "not kept", item.lost)

    def blind(self, t: float) -> list[Reading]:
        """A faulty reading for each channel of each source that is down, once a second."""
        return [reading for source in self._down for reading in self._blind(t, source)]

    def _blind(self, t: float, source: str) -> list[Reading]:
        why = self._down[source]
        channels = self._of_source.get(source, ())
        return [Reading(t, c.id, c.role, c.of, None, None, Quality.FAULT, why) for c in channels]

    def _count(self, t: float, source: str, reason: str, many: int = 1) -> list[BenchNotice]:
        self.dropped[reason] = self.dropped.get(reason, 0) + many
        _make_room(self._told_t, source)
        _make_room(self._untold, source)
        untold = self._untold.setdefault(source, {})
        untold[reason] = untold.get(reason, 0) + many
        if t - self._told_t.get(source, -1e12) < TELL_LINES_EVERY_S:
            return []
        self._told_t[source] = t
        del self._untold[source]
        return [self._lines(t, source, untold)]

    def tick(self, t: float) -> list[BenchNotice]:
        """Tell what was counted since the last notice, once a minute."""
        due = [s for s in self._untold if t - self._told_t.get(s, -1e12) >= TELL_LINES_EVERY_S]
        out = []
        for source in due:
            untold = self._untold.pop(source)
            self._told_t[source] = t
            out.append(self._lines(t, source, untold))
        return out

    def _lines(self, t: float, source: str, untold: dict[str, int]) -> BenchNotice:
        return self._notice(
            t, source, "lines", ", ".join(f"{n} {r}" for r, n in sorted(untold.items())), sum(untold.values())
        )

    def _notice(
        self, t: float, source: str, what: Literal["lines", "board-reset"], why: str, count: int
    ) -> BenchNotice:
        """A notice about one source; a source nobody configured is no subject of its own."""
        subject = Subject(bench=self._bench_id, source=source if source in self._checked else None)
        return BenchNotice(t=t, subject=subject, what=what, why=f"{source}: {why}", count=count)


def _make_room(known: dict[str, Any], key: str) -> None:
    """Forget the one known longest where another would be too many."""
    if key not in known and len(known) >= BOARDS_MOST:
        del known[next(iter(known))]


def _text(item: Line | RawLine) -> str:
    if isinstance(item, Line):
        return item.line
    try:
        base64.b64decode(item.raw_b64, validate=True)
    except (binascii.Error, ValueError):
        raise DecodeError("raw", "not base64") from None
    raise DecodeError("not-utf8")
