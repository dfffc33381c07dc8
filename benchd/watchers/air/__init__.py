"""Watches the air's humidity: whether the room is too damp for casting, and whether the air will wet the pot.

Room: humidity above the warning or the hold-off line.  Pot: the humidity that the air would have once compressed to the
target pressure.  With a tank's pressure and temperature known it is computed ("measured"); without them the air may
come straight from a compressor, and all that can be said is that water is possible.  It is judged while a pot still has
to be filled: once the pot is at pressure its air is in, and a tank warmed by its compressor says nothing about it.  Nor
does it just after a vent, while the parts come out.  It is judged again once the load's last part is out, after ten
minutes, or as the next batch is weighed; as long as the tank cools from the last fill, which dries its air, by what it
will be when the next fill can be, and after half an hour, or where this load came sooner, as it is.  The pot is taken
to be at the room's temperature, like its walls.

Mold: one with a probe that is colder than the room's dew point gets wet before it is poured; one colder than the pot's,
under pressure.  Lots: opened resin in a room that stays damp for an hour.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Literal

from pydantic import BaseModel, ConfigDict

from benchd.core.bench import Pot
from benchd.core.findings import (
    AirWet,
    BatchWeighed,
    Event,
    Finding,
    LoadOpened,
    LotsDamp,
    MoldWet,
    PotAtPressure,
    PotVented,
    PourEnded,
    PourStarted,
    RoomDamp,
)
from benchd.core.intake.calibrate import PLAUSIBLE
from benchd.core.model import Reading, Tick
from benchd.core.seat.watcher import Place, Reads
from benchd.physics.humid_air import (
    co2_volume_ml,
    compressed_rh_pct,
    dew_point_c,
    dew_point_of_vapour_c,
    pot_rh_pct,
    pressure_dew_point_c,
    saturation_pa,
    water_class,
    water_in_pot_mg,
)
from benchd.stored import stored
from benchd.watchers.air.pots import PotAir
from benchd.watchers.air.steady import Cooling, Latch, Recent

SCOPE = "bench"
ORDER = 40
READS = Reads(
    roles=("room_temperature", "room_humidity", "tank_pressure", "tank_temperature", "mold_temperature"),
    findings=(PotAtPressure, PotVented, LoadOpened, PourStarted, PourEnded, BatchWeighed),
    ticks=True,
)
EMITS = (RoomDamp, AirWet, MoldWet, LotsDamp)

TANK_ROLES = ("tank_pressure", "tank_temperature")
TANK_LOST_S = 300.0  # common practice: a tank's air changes over minutes
EACH_S = 10.0  # time between two judgements of the air: it changes over minutes


@stored("air-settings")
class Settings(BaseModel):
    """The limits."""

    model_config = ConfigDict(frozen=True, extra="forbid", allow_inf_nan=False)

    warn_rh_pct: float = 50.0  # common practice: store and cast at or below 50 %RH
    hold_off_rh_pct: float = 60.0  # common practice, no source
    condense_rh_pct: float = 100.0  # saturation
    clear_margin_pct: float = 3.0  # the alert table: below limit - 3 % for 10 min; a probe's own error
    clear_s: float = 600.0  # the same
    mold_clear_k: float = 1.0  # common practice: two probes' errors; a mold is dry again that far above the dew point
    lots_after_s: float = 3600.0  # common practice: a cap left off over a pour does no harm, over a morning it does
    after_vent_s: float = 600.0  # common practice, no source: parts come out
    next_fill_s: float = 600.0  # common practice, no source: molds readied, a cup weighed, mixed and poured
    tank_cools_s: float = 1800.0  # common practice, no source: a tank is no warmer than its room, or the next load near
    smooth_s: float = 60.0  # common practice: longer than a door's draught, shorter than a wet coat drying


@stored("air")
@dataclass(slots=True, init=False)
class Air:
    """The watcher of the bench's air; its rules are in this file's docstring."""

    settings: Settings
    place: Place
    windows: dict[str, Recent]
    warn: Latch
    hold_off: Latch
    level: Literal["warn", "hold-off"] | None
    pots: list[PotAir]
    tank: Cooling
    judged_t: float | None
    wet_molds: dict[str, Literal["room", "pot"]]
    damp_since: float | None
    lots_told: bool

    def __init__(self, settings: Settings, place: Place) -> None:
        self.settings = settings
        self.place = place
        self.windows = {c.id: Recent(settings.smooth_s) for c in place.bench.channels if c.role in READS.roles}
        self.warn = Latch(settings.warn_rh_pct)
        self.hold_off = Latch(settings.hold_off_rh_pct)
        self.level = None
        self.pots = [PotAir(p, Latch(settings.condense_rh_pct)) for p in place.bench.pots]
        self.tank = Cooling()
        self.judged_t = None
        self.wet_molds = {}
        self.damp_since = None
        self.lots_told = False

    def see(self, event: Event) -> Sequence[Finding]:
        """The findings that follow from one event."""
        match event:
            case Reading() if event.channel in self.windows and event.value is not None:
                low, high = PLAUSIBLE[event.role]
                if math.isfinite(event.value) and low <= event.value <= high:
                    self.windows[event.channel].see(event.t, event.value)
            case PotAtPressure() | PotVented() | LoadOpened():
                for state in self.pots:
                    if event.subject.pot == state.pot.id:
                        state.filled(isinstance(event, PotAtPressure))
                        if isinstance(event, PotVented):
                            state.vented(event.t, self.settings.after_vent_s, self.settings.tank_cools_s)
            case PourStarted():
                for state in self.pots:
                    if event.subject.pot == state.pot.id or (event.subject.pot is None and len(self.pots) == 1):
                        state.begun(event.mix_t)
            case BatchWeighed():
                for state in self.pots:
                    state.awaited()
            case PourEnded(why="demolded"):
                for state in self.pots:
                    if event.subject.pot == state.pot.id:
                        state.rests_until = -math.inf
            case Tick() if self.judged_t is None or event.t - self.judged_t >= EACH_S:
                self.judged_t = event.t
                return self._judge(event.t)
        return ()

    def _window(self, role: str, t: float) -> Recent | None:
        """The window of the first configured probe of this role that has fresh, settled readings."""
        for channel in self.place.bench.channels:
            if channel.role == role:
                window = self.windows[channel.id]
                if window.settled(t, max(self.settings.smooth_s, 5.0 * channel.period_s)):
                    return window
        return None

    def _judge(self, t: float) -> list[Finding]:
        temperature = self._window("room_temperature", t)
        humidity = self._window("room_humidity", t)
        if temperature is None or humidity is None:
            return []
        room_c = temperature.middle()
        rh_pct = min(max(humidity.middle(), 0.0), 100.0)
        found = self._room(t, room_c, rh_pct)
        tank = self._window("tank_temperature", t)
        is_cooling = tank is not None and self.tank.see(t, tank.middle())
        for state in self.pots:
            stays_wet = is_cooling and self._stays_wet(t, state.pot, room_c, rh_pct)
            is_next = state.is_next(t, is_cooling, stays_wet) and not self._awaits_tank(t)
            found += self._pot(t, state, room_c, rh_pct) if is_next else []
        return found + self._molds(t, room_c, rh_pct) + self._lots(t, rh_pct)

    def _awaits_tank(self, t: float) -> bool:
        """Whether the tank's probes are only late; nothing is guessed without them until they are lost for a while."""
        probes = {c.role: self.windows[c.id] for c in self.place.bench.channels if c.role in TANK_ROLES}
        if len(probes) < len(TANK_ROLES) or not all(window.samples for window in probes.values()):
            return False
        is_settled = all(self._window(role, t) is not None for role in TANK_ROLES)
        return not is_settled and t - min(window.samples[-1][0] for window in probes.values()) < TANK_LOST_S

    def _molds(self, t: float, room_c: float, rh_pct: float) -> list[Finding]:
        """Compare each mold with a fresh probe with the dew points it meets: the room's, then the dampest pot's."""
        dews: list[tuple[Literal["room", "pot"], float]] = [("room", dew_point_c(room_c, rh_pct))]
        in_pots = [self._in_pot(t, state.pot, room_c, rh_pct)[1] for state in self.pots]
        if in_pots:  # walls at the room's temperature take the excess water: only a colder mold matters
            dews.append(("pot", min(max(in_pots), room_c - self.settings.mold_clear_k)))
        found: list[Finding] = []
        for channel in self.place.bench.channels:
            window = self.windows[channel.id] if channel.role == "mold_temperature" else None
            if window is not None and window.settled(t, max(self.settings.smooth_s, 5.0 * channel.period_s)):
                found += self._mold(t, channel.of, window.middle(), dews)
        return found

    def _mold(
        self, t: float, mold: str, mold_c: float, dews: Sequence[tuple[Literal["room", "pot"], float]]
    ) -> list[Finding]:
        """Publish when it begins, when it moves from pot to room or back, and when it ends."""
        was = self.wet_molds.get(mold)
        spare_k = self.settings.mold_clear_k
        now = next((where for where, dew_c in dews if mold_c < dew_c + (spare_k if where == was else 0.0)), None)
        if now == was:
            return []
        self.wet_molds.pop(mold, None)
        if now is not None:
            self.wet_molds[mold] = now
        where = now or was or "room"
        dew_c = next(dew for name, dew in dews if name == where)
        subject = self.place.subject.filled(mold=mold)
        return [MoldWet(t=t, subject=subject, mold_c=mold_c, dew_point_c=dew_c, where=where, active=now is not None)]

    def _lots(self, t: float, rh_pct: float) -> list[Finding]:
        """Publish the opened lots once the room has been damp for long; ends with the damp."""
        self.damp_since = (t if self.damp_since is None else self.damp_since) if self.warn.on else None
        for_s = t - self.damp_since if self.damp_since is not None else 0.0
        lots = tuple(x.id for x in self.place.bench.lots if x.opened is not None and x.opened <= t)
        on = bool(lots) and for_s >= self.settings.lots_after_s
        if on == self.lots_told:
            return []
        self.lots_told = on
        return [LotsDamp(t=t, subject=self.place.subject, lots=lots, rh_pct=rh_pct, for_s=for_s, active=on)]

    def _room(self, t: float, room_c: float, rh_pct: float) -> list[Finding]:
        s = self.settings
        self.warn.see(t, rh_pct, s.clear_margin_pct, s.clear_s)
        self.hold_off.see(t, rh_pct, s.clear_margin_pct, s.clear_s)
        level: Literal["warn", "hold-off"] | None = "warn" if self.warn.on else None
        if self.hold_off.on:
            level = "hold-off"
        if level == self.level:
            return []
        was, self.level = self.level, level
        return [
            RoomDamp(
                t=t, subject=self.place.subject, rh_pct=rh_pct, dew_point_c=dew_point_c(room_c, rh_pct),
                pot_dew_point_c=None, pot_rh_pct=None, basis="measured", active=level is not None,
                level=level or was or "warn", eased=(was, level) == ("hold-off", "warn"),
            )
        ]  # fmt: skip

    def _pot(self, t: float, state: PotAir, room_c: float, rh_pct: float) -> list[Finding]:
        s = self.settings
        pot_pct, pot_dew_c, basis = self._in_pot(t, state.pot, room_c, rh_pct)
        state.latch.see(t, pot_pct, s.clear_margin_pct, s.clear_s)
        now = (state.latch.on, basis if state.latch.on else "")
        if now == state.told:
            return []
        state.told = now
        _, wet_mg = water_in_pot_mg(state.pot.free_l, room_c, pot_pct)
        gas_ml = co2_volume_ml(wet_mg, room_c, 1000.0 * self.place.bench.p_atm_kpa)
        return [
            AirWet(
                t=t,
                subject=self.place.subject.filled(pot=state.pot.id),
                rh_pct=rh_pct,
                dew_point_c=dew_point_c(room_c, rh_pct),
                pot_dew_point_c=pot_dew_c,
                pot_rh_pct=pot_pct,
                basis=basis,
                active=state.latch.on,
                water_mg=float(f"{wet_mg:.0e}"),
                co2_ml=float(f"{gas_ml:.0e}"),
                water_class=water_class(pot_dew_c),
            )
        ]

    def _stays_wet(self, t: float, pot: Pot, room_c: float, rh_pct: float) -> bool:
        """Whether the tank's air will still wet this pot when the next fill can be, cooling as it does."""
        ahead_c = self.tank.ahead_c(room_c, self.settings.next_fill_s)
        if ahead_c is None:
            return False
        return self._in_pot(t, pot, room_c, rh_pct, ahead_c)[0] > self.settings.condense_rh_pct

    def _in_pot(
        self, t: float, pot: Pot, room_c: float, rh_pct: float, ahead_c: float | None = None
    ) -> tuple[float, float, Literal["measured", "possible"]]:
        """(humidity %, dew point C, basis) in the pot at target pressure and room temperature.

        ahead_c: the tank's temperature in place of the present one [C]; its gas then has less pressure in proportion.
        """
        atm_pa = 1000.0 * self.place.bench.p_atm_kpa
        gauge_pa = 1000.0 * pot.target_kpa
        tank_c = self._window("tank_temperature", t)
        tank_kpa = self._window("tank_pressure", t)
        if tank_c is None or tank_kpa is None or not -40.0 <= tank_c.middle() <= 100.0:
            dew_c = pressure_dew_point_c(dew_point_c(room_c, rh_pct), atm_pa, atm_pa + gauge_pa)
            return compressed_rh_pct(room_c, rh_pct, room_c, gauge_pa, atm_pa), dew_c, "possible"
        now_c = tank_c.middle()
        at_c, tank_pa = (now_c if ahead_c is None else ahead_c), atm_pa + 1000.0 * tank_kpa.lowest()
        feeding_pa = max(tank_pa * (at_c + 273.15) / (now_c + 273.15) - atm_pa, gauge_pa)  # less can't feed the pot
        pot_pct = pot_rh_pct(room_c, rh_pct, room_c, gauge_pa, atm_pa, at_c, feeding_pa)
        return pot_pct, dew_point_of_vapour_c(pot_pct / 100.0 * saturation_pa(room_c)), "measured"


def make(settings: Settings, place: Place) -> Air:
    """The watcher of a bench's air."""
    return Air(settings, place)
