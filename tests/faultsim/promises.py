"""What must hold whatever happens: checked as events pass, each second, at the end of a life and of the night."""

from __future__ import annotations

import contextlib
import json
import sqlite3
from collections import Counter
from collections.abc import Sequence
from itertools import pairwise
from typing import TYPE_CHECKING, Any

from faultsim.census import census, growing
from faultsim.disk import saved_in
from faultsim.faults import Fault
from faultsim.once import plans

from benchd.core.engine import Engine
from benchd.core.findings import LoadOpened
from benchd.core.format.printed import to_json_object
from benchd.core.format.record import from_record
from benchd.core.model import PRESS_IDS, Alert, Gap, Input, Utterance
from benchd.runtime.bulletin import Posted
from benchd.runtime.files.expand import expand
from benchd.runtime.journal.packed_lines import unpack
from benchd.runtime.journal.rows import event_of
from benchd.runtime.watch.pipeline import Pipeline
from benchd.runtime.watch.saver import NOT_KEPT

if TYPE_CHECKING:
    from faultsim.night import Life, Simulation

P1_WITHIN_S = 0.5  # a quarter of a second at the gate, and what the loop does meanwhile
AGREE_WITHIN_S = 12.0  # the lamp is sent each ten seconds
EVERY, EVERY_WIDE = 4, 16
BLIND = 1000  # numbers left out by a start that could not read the journal (recovery.first_number)
MOST_MAILBOX, MOST_BUFFER_BYTES, MOST_OUTBOX = 4096, 9 * 2**20, 2000


class Promises:
    """The watch's promises over one night."""

    def __init__(self, sim: Simulation) -> None:
        self._sim, self._world = sim, sim.world
        self.counts: Counter[str] = Counter()
        self._waiting_p1: dict[int, float] = {}
        self._events: dict[int, int] = {}
        self._last_saved_number = 0
        self._posted: dict[int, bool] = {}
        self._excused_marks: set[str] = set()
        self._unlike_s: dict[str, float] = {}
        self._is_replayable = True
        self._sizes: list[Counter[str]] = []
        self._loads = 0
        self._not_kept: set[int] = set()

    # ------------------------------------------------------------------------------------------------ as events pass

    def follow(self, pipeline: Pipeline) -> None:
        """Listen to what the engine gives the saver."""
        add_event = pipeline.saver.add_event
        self._events.clear()
        self._waiting_p1.clear()
        self._posted.clear()
        self._sizes.clear()
        self._unlike_s.clear()
        self._last_saved_number = 0

        def overheard(number: int, seq: int, effect: Any, is_told: bool = False) -> None:
            self._events[number] = seq
            self.counts["events"] += 1
            if _is_p1(effect) and not is_told:
                self.counts["p1"] += 1
                self._waiting_p1[number] = self._world.t
            add_event(number, seq, effect, is_told)

        pipeline.saver.add_event = overheard  # type: ignore[method-assign]

    def posted(self, batch: Sequence[Posted]) -> None:
        """What the gate publishes."""
        for posted in batch:
            if not posted.id:
                continue
            self._world.note("told", posted.id, type(posted.effect).__name__, posted.unsaved)
            self._waiting_p1.pop(posted.id, None)
            if posted.id in self._posted:
                self._world.broken("told once", f"number {posted.id} was published twice")
            self._posted[posted.id] = posted.unsaved
            self._loads += isinstance(posted.effect, LoadOpened)
            self._sim.push.overhear(posted)
            if posted.unsaved:
                self.counts["unsaved"] += 1
                self._not_kept |= {posted.id} if posted.why == NOT_KEPT else set()
            else:
                self._told_as_saved(posted)

    def _told_as_saved(self, posted: Posted) -> None:
        number, saved = posted.id, self._sim.disk.saved
        if number not in saved.effects:
            self._world.broken("saved before told", f"{type(posted.effect).__name__} {number} is in no commit")
        seq = self._events.get(number)
        if seq is not None and seq not in saved.inputs and seq:
            self._world.broken("saved before told", f"input {seq}, the cause of {number}, is in no commit")
        if number < self._last_saved_number:
            self._world.broken("in order", f"{number} was told after {self._last_saved_number}")
        self._last_saved_number = number

    # -------------------------------------------------------------------------------------------------- each second

    def look(self) -> None:
        """Check what can be seen at any moment."""
        world, watch, pipeline = self._world, self._sim.watch, self._sim.pipeline
        for number, since_s in self._waiting_p1.items():
            if world.t - since_s > P1_WITHIN_S:
                world.broken("P1 at once", f"{number} waits for {world.t - since_s:.1f} s")
        if watch is None or pipeline is None:
            return
        if len(watch.mailbox) > MOST_MAILBOX:
            world.broken("bounded", f"{len(watch.mailbox)} inputs wait")
        if pipeline.saver._next.writes.size + pipeline.saver._flight.writes.size > 2 * MOST_BUFFER_BYTES:
            world.broken("bounded", "the saver's buffer")
        if watch.health.outbox_depth > MOST_OUTBOX:
            world.broken("bounded", f"{watch.health.outbox_depth} messages wait")
        self._agree()
        self._count(watch, pipeline)

    def _count(self, watch: Life, pipeline: Pipeline) -> None:
        """After each load: what grew with every one of the last few?"""
        if not self._loads:
            return
        self.counts["loads"] += self._loads
        self._loads = 0
        parts = {"watch": watch, "pipeline": pipeline, "outlets": self._sim.outlets, "page": self._sim.phones.site}
        self._sizes.append(census(parts))
        for what in growing(self._sizes):
            self._world.broken("bounded", f"{what} grows with every load")

    def _agree(self) -> None:
        """Page, broker and lamp show the alarms that are on, each within its time."""
        assert self._sim.watch is not None
        alerts = self._sim.watch.bulletin.alerts
        on = {key for key, alert in alerts.items() if alert.active}
        views = {"page": (self._sim.phones.page.on(), True)}
        views["broker"] = self._at_broker(), self._sim.broker.is_joined and not self._sim.broker.refused
        views["lamp"] = self._lamp(on), self._sim.lamp_board.port is not None
        if self._sim.shape.is_wide:
            there = self._sim.broker.is_hub_joined and not self._sim.broker.hub_refused
            views["hub"] = on if self._sim.hub.shows([*alerts.values()]) else {("hub", "alarm")}, there
        for name, (seen, is_there) in views.items():
            if seen == on or not is_there or not self._world.is_over:
                self._unlike_s.pop(name, None)
                continue
            since_s = self._unlike_s.setdefault(name, self._world.t)
            late_s = self._world.t - max(since_s, self._world.t - self._world.calm_s)
            if late_s > AGREE_WITHIN_S:
                self._world.broken("agree", f"{name} shows {sorted(seen ^ on)} otherwise than the bench")

    def _at_broker(self) -> set[tuple[str, str]]:
        found = set()
        for topic, text in self._sim.broker.retained.items():
            parts = topic.split("/")
            if len(parts) == 7 and parts[4] == "alert" and json.loads(text)["active"]:
                found.add((parts[5], parts[6]))
        return found

    def _lamp(self, on: set[tuple[str, str]]) -> set[tuple[str, str]]:
        """The alarms on if the lamp is as they want it, else none of them."""
        watch = self._sim.watch
        assert watch is not None
        active = [alert for key, alert in watch.bulletin.alerts.items() if key in on]
        urgent = [alert for alert in active if alert.priority == 1 and not alert.heard]
        wanted = 3 if urgent else 2 if any(alert.priority <= 2 for alert in active) else None
        shown = self.lamp_mode()
        fits = shown == wanted if wanted is not None else shown in (0, 1)
        return on if fits else {("lamp", str(shown))}

    def lamp_mode(self) -> int | None:
        """What the board was last told to show."""
        for _, heard in reversed(self._sim.lamp_board.heard):
            if '"lamp"' in heard["line"]:
                records = json.loads(heard["line"].rsplit(" ", 1)[0])
                return next((int(r["v"]) for r in records if r["n"].endswith("lamp")), None)
        return None

    def not_whole(self) -> str:
        """What is still wrong now that all faults are over; empty when nothing is."""
        watch, pipeline, world = self._sim.watch, self._sim.pipeline, self._world
        if watch is None or pipeline is None or pipeline.seq == 0:
            return "not started"
        alerts = {key for key, alert in watch.bulletin.alerts.items() if alert.active}
        found = {
            "the journal is in trouble": not watch.health.journal_ok,
            "a board is not read": any(board.port is None for board in self._sim.boards.values()),
            "the broker is not connected": not self._sim.broker.is_joined,
            f"{watch.health.outbox_depth} messages wait": watch.health.outbox_depth > 0,
            "something waits unsaid": pipeline.saver.has_unsaid,
            "healthz": bool(_stale(watch, world.t)),
            "marks do not arrive": any(getattr(outlet, "marks_in", "ok") != "ok" for outlet in self._sim.outlets),
            f"the page shows {sorted(self._sim.phones.page.on() ^ alerts)}": self._sim.phones.page.on() != alerts,
            f"the broker holds {sorted(self._at_broker() ^ alerts)}": self._at_broker() != alerts,
            f"the lamp shows {self.lamp_mode()}": self._lamp(alerts) != alerts,
        }
        if self._sim.shape.is_wide:
            heard = {key for key, alert in watch.bulletin.alerts.items() if alert.heard}
            beside = self._sim.push.not_whole(alerts, heard), self._sim.monitor.not_whole()
            found |= dict.fromkeys((*beside, self._sim.hub.not_whole([*watch.bulletin.alerts.values()])), True)
        return "; ".join(why for why, is_so in found.items() if is_so and why)

    # --------------------------------------------------------------------------------------------- the end of a life

    def crashed(self, how: Fault) -> None:
        """The process was killed, or the power cut."""
        self.counts["crashes"] += 1
        if how.kind == "power-cut" and self._sim.disk.has_lied:
            self._excused_marks |= set(self._sim.phones.acked)
            self.counts["lied"] += 1

    def life_over(self, clean: bool, watch: Life | None) -> None:
        """A process is gone; what it left must be whole."""
        found = saved_in(self._sim.disk.journal)
        lost = {id for id in self._sim.phones.acked if id not in found.marks} - self._excused_marks
        if lost:
            self._world.broken("acknowledged marks are kept", f"lost: {sorted(lost)}")
        if clean:
            untold = [number for number in self._posted if number not in found.effects | self._not_kept]
            if untold and watch is not None and watch.health.journal_ok:
                self._world.broken("told is saved in the end", f"effects {untold[:5]} are not in the journal")

    # -------------------------------------------------------------------------------------------- the night's end

    def at_the_end(self) -> None:
        """The journal is whole, in order, and a replay of it gives the same."""
        if self._world.violations or not self._sim.disk.journal.exists():
            return
        with contextlib.closing(sqlite3.connect(self._sim.disk.journal)) as db:
            verdict = db.execute("PRAGMA integrity_check").fetchone()[0]
            if verdict != "ok":
                if not self.counts["lied"]:  # a disk that lies as the log is folded into the file may leave any mixture
                    self._world.broken("integrity", str(verdict))
                return
            effects = db.execute("SELECT number, seq, t, kind, name, body FROM effects ORDER BY number").fetchall()
            inputs = _inputs(db)
            waiting = {json.loads(text).get("id", "") for (text,) in db.execute("SELECT payload FROM outbox")}
        self._in_order(effects, inputs)
        self._once_each(effects)
        self._phone_heard(effects, waiting)
        self._replay(effects, inputs)

    def _in_order(self, effects: Sequence[Any], inputs: Sequence[tuple[int, Input]]) -> None:
        for (n0, s0, _, *_), (n1, s1, _, *_) in pairwise(effects):
            if s1 < s0:
                self._world.broken("journal in order", f"effect {n1} of input {s1} follows {n0} of {s0}")
        for (s0, a), (s1, b) in pairwise(inputs):
            if b.t < a.t and not isinstance(b, Gap) and s1 - s0 < BLIND:
                self._world.broken("journal in order", f"input {s1} is earlier than {s0}: {b.t} < {a.t}")

    def _once_each(self, effects: Sequence[Any]) -> None:
        """Each mark has one effect, and each press of a foot at most one."""
        ids = Counter(
            json.loads(body)["id"] for _, _, _, kind, _, body in effects if kind == "answer" and json.loads(body)["ok"]
        )
        twice = [id for id, n in ids.items() if n > 1 and id]
        if twice and not _is_blind([number for number, *_ in effects]):
            self._world.broken("one effect each", f"marks taken twice: {twice}")
        answers = [json.loads(body)["id"] for _, _, _, kind, _, body in effects if kind == "answer"]
        steps = sum(id.startswith(PRESS_IDS) for id in answers)
        pressed = sum(board.pressed for board in self._sim.boards.values())
        if steps > pressed:
            self._world.broken("one effect each", f"{steps} presses taken of {pressed}")

    def _phone_heard(self, effects: Sequence[Any], waiting: set[str]) -> None:
        """Each saved change of an alarm has reached the phone, or waits for the next start: told as the stop came."""
        log = [got.body for got in self._sim.phones.log]
        heard = {body["id"] for body in log} | waiting
        numbers = [number for number, *_ in effects]
        if self._sim.broker.refused or self.counts["lied"] or _is_blind(numbers):
            return
        for number, _, _, kind, _, text in effects:
            body = json.loads(text)
            if kind != "alert":
                continue
            state = ("on" if body["active"] else "off") + ("-heard" if body["heard"] else "")
            if not any(id.startswith(f"{body['alert']}/") and id.endswith(f"/{body['t']}/{state}") for id in heard):
                self._world.broken("every alarm is told", f"alert {number} {body['alert']} {state} never came")
        last: dict[str, float] = {}
        seen: set[str] = set()
        for body in log:
            key = body["id"].rsplit("/", 2)[0]
            if body.get("unsaved"):
                seen.add(body["id"])
                continue  # a crash after it, on a clock set back, begins before it
            if body["id"] not in seen and body["t"] < last.get(key, 0.0):
                self._world.broken("alarms in order", f"{body['id']} came after one of {last[key]}")
            seen.add(body["id"])
            last[key] = max(body["t"], last.get(key, 0.0))

    def _replay(self, effects: Sequence[Any], inputs: Sequence[tuple[int, Input]]) -> None:
        """A fresh engine that steps the journal's inputs says what the journal says.

        Of nights without a gap one of EVERY is replayed: nothing came between in the others.
        """
        has_gap = any(isinstance(item, Gap) for _, item in inputs)
        most = EVERY_WIDE if self._sim.shape.is_wide else EVERY
        if not self.is_replayable(inputs) or (not has_gap and self._world.seed % most != 1):
            return
        self.counts["replayed"] += 1
        engine = Engine(plans)
        told: list[tuple[int, str]] = []
        for seq, item in inputs:
            for effect in engine.step(item):
                event = event_of(effect)
                if event is not None:
                    told.append((seq, _printed(event)))
        kept = [(seq, _canonical(body)) for _, seq, _, _, _, body in effects]
        for at, (mine, theirs) in enumerate(zip(told, kept, strict=False)):
            if mine[1] != theirs[1]:
                self._world.broken(
                    "recovery equals replay",
                    f"effect {at + 1}: {theirs[1][:150]} in the journal, {mine[1][:150]} replayed",
                )
                return
        if len(kept) < len(told):
            self._world.broken("recovery equals replay", f"{len(kept)} effects in the journal, {len(told)} replayed")

    def is_replayable(self, inputs: Sequence[tuple[int, Input]]) -> bool:
        """Whether every input was kept, and every life began from the state of the one before."""
        if self.counts["lied"] or any(fault.kind == "upgrade" for fault in self._world.happened):
            return False
        if _is_blind([seq for seq, _ in inputs]):
            return False
        gaps = [item for _, item in inputs if isinstance(item, Gap)]
        return not any(gap.lost or "without replay" in gap.why for gap in gaps)


def _is_blind(numbers: Sequence[int]) -> bool:
    """Whether a life could not read the journal: it knows nothing, and numbers from the time."""
    return any(b - a >= BLIND for a, b in pairwise(numbers))


def _is_p1(effect: Any) -> bool:
    return isinstance(effect, Alert | Utterance) and effect.priority == 1


def _printed(effect: Any) -> str:
    return json.dumps(to_json_object(effect), sort_keys=True)


def _canonical(body: str) -> str:
    return json.dumps(json.loads(body), sort_keys=True)


def _inputs(db: sqlite3.Connection) -> list[tuple[int, Input]]:
    rows: list[tuple[int, Input]] = []
    for seq, body, packed in db.execute(
        "SELECT i.seq, i.body, c.body FROM inputs i LEFT JOIN contexts c ON c.seq = i.seq"
    ):
        text = body or expand(packed, 2**26, "context").decode()
        rows.append((seq, from_record(json.loads(text))))
    for table in ("bundles WHERE count > 0", "blocks"):
        for (body,) in db.execute(f"SELECT body FROM {table}"):
            rows += unpack(body)
    return sorted(rows, key=lambda row: row[0])


def _stale(watch: Life, now_s: float) -> list[str]:
    from benchd.runtime.health import stalled

    return stalled(watch.health, now_s)
