"""Cleans one probe's samples: one second becomes its median, spikes are dropped, breaks are reported.

A value too far from where the last seconds point is held back.  If the next agree with the record, it was a spike; if
three in a row are off, it is the probe that moved (a break), unless the record was already climbing fast: then it is a
rise too quick for the gate and belongs to it.
"""

from __future__ import annotations

from collections import deque
from dataclasses import dataclass, field

from benchd.physics.noise import Noise, Sample
from benchd.stored import stored

FIRST_NOISE_K = 0.3
LEAST_NOISE_K = 0.08  # calc: 0.25 K steps are 0.072 K rms
HOLE_S = 3.0  # a pause this long is a hole in the record, and doubt grows with it
BEND_K_S2 = 0.5  # as core/intake/conditioning's: how fast a cup's slope may change; common practice, no source
COOLING_K_S = 0.1  # calc: 100 K above the room with a cooling time of a quarter of an hour


@stored("probe-second")
@dataclass(frozen=True, slots=True)
class Second:
    """One accepted second: its time [unix s], its value [C], and whether the record before it is void."""

    t: float
    temp_c: float
    starts_anew: bool = False


@stored("probe-record")
@dataclass(slots=True)
class ProbeRecord:
    """Feed `see` samples; it returns the seconds they complete.  gate_k: how far off a value may be [K]."""

    gate_k: float
    gap_s: float
    _bin: list[Sample] = field(default_factory=list)
    _held: list[Sample] = field(default_factory=list)
    _last: deque[Sample] = field(default_factory=lambda: deque(maxlen=4))
    _noise: Noise = field(default_factory=lambda: Noise(61))
    _seen_t: float | None = None

    def forget(self) -> None:
        """Start with an empty record."""
        self._bin, self._held = [], []
        self._last.clear()
        self._seen_t = None

    def see(self, t: float, temp_c: float, slope_k_s: float, is_climbing: bool) -> list[Second]:
        """Take one sample [unix s, C]; slope_k_s: the record's present slope; is_climbing: it had a lead-up."""
        if self._seen_t is not None and t <= self._seen_t:
            return []
        out: list[Second] = []
        is_gap = self._seen_t is None or t - self._seen_t > self.gap_s
        if is_gap:
            self.forget()
        elif t - self._bin[0][0] >= 0.95:  # midway between the last 10 Hz sample of a second and the next second
            out = self._close(slope_k_s, is_climbing)
        self._seen_t = t
        self._bin.append((t, temp_c))
        return out

    @property
    def noise_k(self) -> float:
        """sd of one second's value [K]; FIRST_NOISE_K until it is known."""
        return max(LEAST_NOISE_K, self._noise.sd) if self._noise.is_known else FIRST_NOISE_K

    def _close(self, slope_k_s: float, is_climbing: bool) -> list[Second]:
        samples, self._bin = self._bin, []
        t = sum(s[0] for s in samples) / len(samples)
        value = self._middle(sorted(s[1] for s in samples))
        if self._last and not self._is_off(t, value, slope_k_s):
            self._held = []
            return [self._accept(t, value)]
        return self._hold(t, value, is_climbing)

    def _middle(self, values: list[float]) -> float:
        """The median; of two middle values that disagree, the one nearer to the last second's."""
        low, high = values[(len(values) - 1) // 2], values[len(values) // 2]
        if high - low <= 1.0 or not self._last:
            return 0.5 * (low + high)
        last_c = self._last[-1][1]
        return low if abs(low - last_c) < abs(high - last_c) else high

    def _is_off(self, t: float, value: float, slope_k_s: float) -> bool:
        last_t, last_c = self._last[-1]
        middle_c = sorted(c for _, c in list(self._last)[-3:])[1]
        gate_k = self.gate_k + 2.0 * abs(slope_k_s) + 4.0 * self.noise_k
        if min(abs(value - last_c - slope_k_s * (t - last_t)), abs(value - middle_c)) <= gate_k:
            return False
        hole_s = max(0.0, t - last_t - HOLE_S)
        up_k = gate_k + abs(slope_k_s) * hole_s + 0.5 * BEND_K_S2 * hole_s * hole_s
        down_k = gate_k + COOLING_K_S * hole_s
        return not (hole_s > 0.0 and last_c - down_k < value < last_c + up_k)

    def _hold(self, t: float, value: float, is_climbing: bool) -> list[Second]:
        """Off the record, or the first of one: wait for three in a row that agree, or that a fast rise explains."""
        self._held = [*self._held[-2:], (t, value)]
        if len(self._held) < 3:
            return []
        values = [c for _, c in self._held]
        is_rise = is_climbing and bool(self._last) and values[0] > self._last[-1][1]
        if not is_rise and max(values) - min(values) > self.gate_k:
            return []
        held, self._held = self._held, []
        if not is_rise:
            self._last.clear()
        return [self._accept(at, c, starts_anew=not is_rise and i == 0) for i, (at, c) in enumerate(held)]

    def _accept(self, t: float, value: float, starts_anew: bool = False) -> Second:
        if len(self._last) >= 2:
            self._noise.see(self._last[-2], self._last[-1], (t, value))
        self._last.append((t, value))
        return Second(t, value, starts_anew)
