"""Follows how warm the gas in a filled pot is, and takes its cooling out of a falling pressure.

Nobody measures how warm the gas is, but its fill shows it.  For each of a bank of cooling times tau the gas is followed
from the first filling sample, with x = T - Twall, U the film per volume and mu = p/(R T):

    inflow      m'/V = max(0, (cv/R dp/dt + U x)/(cp Tw)) while the inlet may be open, else 0
    warmth      dx/dt = (m'/V (cp Tw - cv T) - U x)/(mu cv),    U = rho cv/tau (r/rho)^0.5 (|x|/5 + 0.06)^0.2

so that the size of the cooling comes from the fill instead of from a fit.  The heat given to the wall is kept too: the
wall's skin gives it back over minutes.  After the inlet is shut ln p is taken apart by physics/leak_bank.py.

Samples come guarded, about one a second; the gas runs two seconds behind them, so that slopes are central.
"""

from __future__ import annotations

import math
from collections import deque
from dataclasses import dataclass, field

import numpy as np
from numpy.typing import NDArray

from benchd.physics.constants import AIR_J_KG_K
from benchd.physics.leak_bank import SIZES, TAUS_S, Array, LeakBank, LeakEstimate, Prior, generic_prior
from benchd.physics.pot_gas import GAMMA, REFERENCE_K
from benchd.stored import stored

Single = NDArray[np.float32]

CV = AIR_J_KG_K / (GAMMA - 1.0)
CP = CV + AIR_J_KG_K
SKIN_S = 240.0  # how long the wall's skin keeps the heat of a fill: from simulated fills
UNSEEN_K = 30.0  # a fill nobody saw may have warmed the gas that much
BIN_S = 5.0
HUMPS_S = (150.0, 350.0, 800.0)  # when a mold's warmth peaks in the gas after the kick: from simulated fills
DRIFT_S = 600.0
FADE_PA_S = 2000.0  # steeper than this the slope is taken over two seconds instead of four
KEPT_BINS = 40
GAP_S = 10.0
BRIDGED_S = 15.0  # common practice: less than the quickest good fill, so that both ends show how the air came in
PROBE_NOISE = 5e-4  # 0.15 K of a gas thermometer
MEDIANS_BEND = 0.474  # calc: variance of a median of three over that of its second difference, white noise
LEAST_NOISE_PA = 100.0  # 0.015 psi: a finer gauge gains nothing against shapes that no column has


@stored("gas-bank")
@dataclass(slots=True)
class GasBank:
    """Warmth over the wall x_k and the skin's store skin_k [K], one entry a cooling time of TAUS_S."""

    wall_k: float
    full_pa_abs: float
    x_k: Array = field(default_factory=lambda: np.zeros(SIZES[1]))
    skin_k: Array = field(default_factory=lambda: np.zeros(SIZES[1]))

    def step(self, p_pa_abs: float, slope_pa_s: float, dt_s: float, is_open: bool) -> None:
        """Advance dt_s [s] at this pressure [Pa absolute] and slope [Pa/s]; substeps follow a fast fill's warmth."""
        parts = 4 if abs(slope_pa_s) * dt_s > 0.01 * p_pa_abs else 1
        density = self.full_pa_abs / (AIR_J_KG_K * self.wall_k)
        for _ in range(parts):
            gas_k = self.wall_k + self.x_k
            heat = self.film(p_pa_abs) * self.x_k
            lost = heat
            if is_open:
                inflow = np.maximum(0.0, (CV / AIR_J_KG_K * slope_pa_s + heat) / (CP * self.wall_k))
                lost = heat - inflow * (CP * self.wall_k - CV * gas_k)
            self.x_k = self.x_k - dt_s / parts * lost * (AIR_J_KG_K * gas_k) / (p_pa_abs * CV)
            self.skin_k = self.skin_k + dt_s / parts * (heat / (density * CV) - self.skin_k / SKIN_S)

    def film(self, p_pa_abs: float | None = None) -> Array:
        """The film per volume U [W/m3/K], one a cooling time, at this pressure [Pa absolute]; None: the full one."""
        gas_k = self.wall_k + self.x_k
        density = self.full_pa_abs / (AIR_J_KG_K * self.wall_k)
        share = 1.0 if p_pa_abs is None else p_pa_abs / self.full_pa_abs
        thickness = np.sqrt(share * self.wall_k / gas_k)
        film: Array = density * CV / TAUS_S * thickness * (np.abs(self.x_k) / 5.0 + 0.06) ** 0.2
        return film


@stored("bin")
@dataclass(frozen=True, slots=True)
class Bin:
    """Five seconds: middle time, mean ln p (or ln p/T), its variance, the bank's columns then.

    Also the mean ln T/Twall that a gas probe took out (0 without one).  warmth and skin (taus) are float32: a
    ten-millionth of them is far below what a gauge shows, and forty bins of them are half of a checkpoint.
    """

    t: float
    log_p: float
    variance: float
    warmth: Single
    skin: Single
    is_probed: bool
    gas_ln: float = 0.0


@stored("pot-observer")
@dataclass(slots=True)
class PotObserver:
    """One pot, from its fill on.  Feed `add`; call `fill`, `shut`, `window` and set `kick_t` as they become known."""

    full_pa_abs: float
    wall_k: float = REFERENCE_K
    bare: Prior = field(default_factory=generic_prior)
    probed: Prior = field(default_factory=lambda: generic_prior("probed"))
    kick_t: float | None = None
    fill_t: float | None = None
    shut_t: float | None = None
    window_t: float = math.inf
    gas: GasBank | None = None
    bank: LeakBank | None = None
    bins: deque[Bin] = field(default_factory=lambda: deque(maxlen=KEPT_BINS))
    is_unseen: bool = False
    noise_pa: float = 230.0  # of a median of three at 0.05 psi, until the gauge has shown its own
    _late: deque[tuple[float, float, float | None]] = field(default_factory=lambda: deque(maxlen=5))
    _part: list[tuple[float, float, float | None]] = field(default_factory=list)
    _first_t: float = 0.0
    is_probed: bool = False
    keeps_bins: bool = False
    """Bins serve a window that begins in the past; no window of an empty pot does."""

    def fill(self, t: float) -> None:
        """Air is coming in, or came in until t: the inlet counts as open, the window is closed."""
        self.fill_t, self.shut_t, self.keeps_bins = t, None, True
        self._close()

    def unseen(self, t: float) -> None:
        """The pot was up when the watch began: its gas may still be warm, by an unknown amount."""
        self.gas = GasBank(self.wall_k, self.full_pa_abs)
        self.gas.x_k = np.full(SIZES[1], UNSEEN_K)
        self.fill_t, self.is_unseen, self.keeps_bins = t, True, True

    def forget(self) -> None:
        """The pot is empty again, its gas at the wall's warmth."""
        self.gas, self.fill_t, self.shut_t, self.kick_t, self.is_unseen = None, None, None, None, False
        self.keeps_bins = False
        self._late.clear()
        self._close()

    def up(self) -> None:
        """The pot is at pressure, whether or not its fill was seen: from here on a window may reach back."""
        self.keeps_bins = True

    def shut(self, t: float) -> None:
        """No air comes in from t on."""
        self.shut_t = t

    def window(self, t: float) -> None:
        """Judge from t on; bins already seen since then are taken again."""
        kept = [b for b in self.bins if b.t - BIN_S / 2.0 >= t]
        self._close()
        self.window_t = t
        for part in kept:
            self._take(part)

    def _close(self) -> None:
        self.bank, self.window_t = None, math.inf
        self.bins.clear()
        self._part = []

    def add(self, t: float, p_pa_abs: float, gas_k: float | None = None) -> bool:
        """One guarded sample; True when five more seconds were judged.  Raises ValueError on pressure <= 0."""
        if p_pa_abs <= 0.0:
            raise ValueError("absolute pressure must be above zero")
        if self._late and t - self._late[-1][0] > GAP_S:
            self._pass_over(t - self._late[-1][0], p_pa_abs)
        elif len(self._late) >= 2:
            self._learn_noise(p_pa_abs - 2.0 * self._late[-1][1] + self._late[-2][1])
        self._late.append((t, p_pa_abs, gas_k))
        return len(self._late) == 5 and self._go_on()

    def _pass_over(self, gap_s: float, p_pa_abs: float) -> None:
        """A silence: the gas went on cooling, no slope is drawn across it.  Air that came in meanwhile came evenly."""
        if self.gas is not None:
            slope = (p_pa_abs - self._late[-1][1]) / gap_s
            if gap_s <= BRIDGED_S and slope > 0.0:
                parts = math.ceil(gap_s)
                for part in range(parts):
                    p_then = self._late[-1][1] + slope * gap_s * (part + 0.5) / parts
                    self.gas.step(p_then, slope, gap_s / parts, is_open=True)
            else:
                self.gas.x_k = self.gas.x_k * np.exp(-gap_s / TAUS_S)
        self._late.clear()
        self._part = []

    def room(self, wall_k: float) -> None:
        """The room's temperature, taken for the wall's, while the pot is empty or about to be filled."""
        self.wall_k = wall_k
        if self.gas is not None:
            self.gas.wall_k = wall_k

    def _learn_noise(self, bend_pa: float) -> None:
        """Noise of one sample from second differences of medians of three; spikes and the ends of fills left out."""
        if abs(bend_pa) < 8.0 * self.noise_pa:
            variance = 0.98 * self.noise_pa**2 + 0.02 * MEDIANS_BEND * bend_pa * bend_pa
            self.noise_pa = max(LEAST_NOISE_PA, math.sqrt(variance))

    def _go_on(self) -> bool:
        (t0, p0, _), (t1, p1, _), (t2, p2, k2), (t3, p3, _), (t4, p4, _) = self._late
        if self.gas is None:
            self.gas = GasBank(self.wall_k, self.full_pa_abs)
        slope = (p4 - p0) / (t4 - t0)
        if abs(slope) > FADE_PA_S:
            slope = (p3 - p1) / (t3 - t1)
        is_open = self.shut_t is None or t2 < self.shut_t
        self.gas.step(p2, slope, 0.5 * (t3 - t1), is_open)
        return self._bin(t2, p2, k2)

    def _bin(self, t: float, p_pa_abs: float, gas_k: float | None) -> bool:
        done = bool(self._part) and t - self._part[0][0] >= BIN_S - 0.01
        if done:
            self._take(self._made())
            self._part = []
        self._part.append((t, p_pa_abs, gas_k))
        return done

    def _made(self) -> Bin:
        count = len(self._part)
        assert self.gas is not None
        probed = all(k is not None for _, _, k in self._part)
        gas_ln = sum(math.log(k / self.wall_k) for _, _, k in self._part if k) / count if probed else 0.0
        log_p = sum(math.log(p / self.full_pa_abs) for _, p, _ in self._part) / count - gas_ln
        middle = sum(t for t, _, _ in self._part) / count
        warmth = np.log1p(self.gas.x_k / self.wall_k).astype(np.float32)
        skin = (self.gas.skin_k / self.wall_k).astype(np.float32)
        noise = math.hypot(self.noise_pa / self._part[-1][1], PROBE_NOISE if probed else 0.0)
        return Bin(middle, log_p, noise * noise / count, warmth, skin, probed, gas_ln)

    def _take(self, part: Bin) -> None:
        if self.keeps_bins:
            self.bins.append(part)
        if part.t - BIN_S / 2.0 < self.window_t:
            return
        if self.bank is None or self.is_probed != part.is_probed:
            self.bank = LeakBank(self.probed if part.is_probed else self.bare, self.is_unseen)
            self.is_probed = part.is_probed
            self._first_t = part.t
        self.bank.step(self._columns(part), part.log_p, part.variance)

    def _columns(self, part: Bin) -> Array:
        return self.columns(part.t, part.warmth, part.skin)

    def columns(self, t: float, warmth: Array | Single, skin: Array | Single) -> Array:
        """(states, taus) at time t, with the gas and the wall's skin so warm then (taus): level, leak, warmth, skin,
        soak, drift and humps; see leak_bank.STATES."""
        out = np.empty(SIZES)
        since_s = t - self._first_t
        began_t = self.shut_t if self.shut_t is not None else self._first_t
        gone_s = t - began_t
        out[0] = 1.0
        # a leak's fall first cools the gas: gamma times as steep at once, the plain slope after some tau
        out[1] = -(since_s - (GAMMA - 1.0) * TAUS_S * np.expm1(-max(0.0, gone_s) / TAUS_S)) / 60.0
        out[2], out[3] = warmth, skin
        out[4] = -math.sqrt(max(0.0, t - (self.fill_t or t)) / 600.0)
        out[5] = math.exp(-since_s / DRIFT_S)
        kick_t = self.kick_t if self.kick_t is not None else self.fill_t
        for i, peak_s in enumerate(HUMPS_S):
            u = max(0.0, t - (kick_t or t)) / peak_s
            out[6 + i] = u * math.exp(1.0 - u)
        return out

    @property
    def now(self) -> tuple[float, float]:
        """(time, absolute pressure [Pa]) the gas bank has reached."""
        return self._late[2][:2]

    def cooling_kpa_min(self) -> float:
        """The fastest fall [kPa/min] that the gas's cooling alone can cause now, by any cooling time of the bank.

        (R/cv) U x at constant mass, which is also what a regulator must feed to hold the pressure; 0 before a fill.
        """
        return 0.0 if self.gas is None else 60e-3 * float(np.max(AIR_J_KG_K / CV * self.gas.film() * self.gas.x_k))

    def settled(self, p_pa_abs: float, floor_pa_abs: float) -> tuple[float, float] | None:
        """Where this pressure would settle by cooling, were the inlet shut now, and the chance of being under a floor.

        ln p falls by m ln(T/Twall) at constant mass, m (1 for an even gas) as the prior has it, weighted over the
        cooling times; (Pa absolute, 0 to 1), None before a fill.
        """
        if self.gas is None:
            return None
        prior = self.probed if self.is_probed else self.bare
        weights = np.exp(prior.log_weights - np.max(prior.log_weights))
        weights = weights / weights.sum()
        warm = np.log1p(np.maximum(self.gas.x_k, 0.0) / self.wall_k)
        share, sd = float(prior.mean[0]), math.sqrt(prior.between[0, 0] + prior.within[0, 0])
        spare = math.log(p_pa_abs / floor_pa_abs)
        below = [0.5 * math.erfc((spare - share * w) / (math.sqrt(2.0) * sd * w + 1e-9)) for w in warm.tolist()]
        return float(weights @ (p_pa_abs * np.exp(-share * warm))), float(weights @ np.array(below))

    def estimate(self) -> LeakEstimate | None:
        """What is known of the leak by now; None before the window has ten seconds."""
        return self.bank.estimate() if self.bank is not None and self.bank.count >= 2 else None
