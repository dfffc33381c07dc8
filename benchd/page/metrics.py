"""Serves the bench to a time series database: GET /metrics, in the open exposition format.

1. Behind the same door as the page's other reads: on this machine anybody's, beyond it a paired script's, by its bearer
   token.  Readings say whether somebody is at the bench, so they are nobody else's business.
2. Base units, named in each metric: pascals, grams, a ratio for humidity, and Celsius, as the format recommends.
3. A reading that is faulty or was never made has no sample: an old number would be drawn on as if it were true.
4. Nothing is counted here: each value is what the bulletin and the health record hold now.

Format: OpenMetrics 1.0, or the plain text before it, as the caller's Accept header asks.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Mapping
from typing import TYPE_CHECKING

from starlette.requests import Request
from starlette.responses import Response
from starlette.routing import Route

from benchd import __version__
from benchd.core.bench import ROLES, Bench
from benchd.core.model import Quality, Reading
from benchd.runtime.bulletin import Bulletin
from benchd.runtime.clock import BenchClock
from benchd.runtime.contracts import Health
from benchd.runtime.health import PARTS, stalled

if TYPE_CHECKING:
    from prometheus_client.core import GaugeMetricFamily, Metric

PATH = "/metrics"
UNITS: Mapping[str, tuple[str, str, float]] = {
    "C": ("temperature_celsius", "A probe's temperature", 1.0),
    "kPa": ("pressure_pascals", "A gauge's pressure above the air's; a barometer's is absolute", 1000.0),
    "%RH": ("relative_humidity_ratio", "Relative humidity, 0 to 1", 0.01),
    "g": ("mass_grams", "What the scale shows", 1.0),
}
"""The core's unit -> (metric, help, factor to the metric's unit)."""
OF_CHANNEL = ("channel", "role", "of")
OF_ALERT = ("alert", "subject")


class Exposed:
    """The metrics of one bench; a collector as the client library calls it.

    `monotonic` is the clock of `Health.moved`.
    """

    def __init__(
        self,
        bulletin: Bulletin,
        clock: BenchClock,
        health: Health,
        bench: Callable[[], Bench],
        monotonic: Callable[[], float],
    ) -> None:
        self._bulletin, self._clock, self._health = bulletin, clock, health
        self._bench, self._monotonic = bench, monotonic

    def route(self) -> Route:
        """GET /metrics."""
        return Route(PATH, self.answer)

    async def answer(self, request: Request) -> Response:
        """All metrics, in the form the Accept header asks for."""
        from prometheus_client import (
            CollectorRegistry,  # a quarter of a second: at the first question, not at the start
        )
        from prometheus_client.exposition import choose_encoder

        registry = CollectorRegistry(auto_describe=False)
        registry.register(self)
        encode, media = choose_encoder(request.headers.get("accept", ""))
        return Response(encode(registry), media_type=media)

    def collect(self) -> Iterable[Metric]:
        """Every metric family, readings first."""
        yield from self._readings()
        yield from self._alerts()
        yield from self._state()

    def _readings(self) -> Iterable[Metric]:
        readings = [self._bulletin.readings[name] for name in sorted(self._bulletin.readings)]
        for unit, (name, what, factor) in UNITS.items():
            family = _gauge(name, what, OF_CHANNEL)
            for reading in readings:
                if ROLES.get(reading.role) == unit and reading.value is not None:
                    family.add_metric(_of(reading), round(reading.value * factor, 6))
            yield family
        age = _gauge("reading_age_seconds", "Since a channel's last reading was made", OF_CHANNEL)
        good = _gauge("reading_good", "1: the last reading is good; 0: suspect or faulty", OF_CHANNEL)
        for reading in readings:
            age.add_metric(_of(reading), round(max(0.0, self._clock.now() - reading.t), 3))
            good.add_metric(_of(reading), float(reading.quality is Quality.GOOD))
        yield from (age, good)

    def _alerts(self) -> Iterable[Metric]:
        active = _gauge("alert_active", "An alarm that stands: its priority, 1 to 4", OF_ALERT)
        heard = _gauge("alert_acknowledged", "1: somebody has answered that alarm", OF_ALERT)
        for alert in self._bulletin.alerts.values():
            if alert.active:
                labels = [alert.alert, alert.subject.id]
                active.add_metric(labels, float(alert.priority))
                heard.add_metric(labels, float(alert.heard))
        yield from (active, heard)

    def _state(self) -> Iterable[Metric]:
        from prometheus_client.core import CounterMetricFamily, InfoMetricFamily

        bench, health = self._bench(), self._health
        about = {"version": __version__, "shop": bench.shop, "bench": bench.id}
        yield InfoMetricFamily("benchd", "What runs here", value=about)
        alive = _gauge("part_alive", "1: this part of the watch moved within 5 s", ("part",))
        stale = stalled(health, self._monotonic())
        for part in PARTS:
            alive.add_metric([part], float(part not in stale))
        yield alive
        dropped = CounterMetricFamily("benchd_dropped", "What was not taken, by kind", labels=("kind",))
        for kind, count in sorted(health.dropped.items()):
            dropped.add_metric([kind], float(count))
        yield dropped
        for name, what, value in (
            ("outbox_depth", "Messages that wait for the broker", float(health.outbox_depth)),
            ("journal_ok", "1: the journal is being written", float(health.journal_ok)),
            ("journal_lag_seconds", "How far the journal is behind", health.journal_lag_s),
            ("clock_offset_seconds", "How far this machine's clock was moved since the start", health.clock_offset_s),
        ):
            yield _gauge(name, what, (), value)
        if health.listeners is not None:
            is_listening = float(health.listeners > 0)
            yield _gauge("phone_listening", "1: the broker had somebody to give the last word to", (), is_listening)


def _gauge(name: str, what: str, labels: tuple[str, ...], value: float | None = None) -> GaugeMetricFamily:
    from prometheus_client.core import GaugeMetricFamily

    return GaugeMetricFamily(f"benchd_{name}", what, value=value, labels=labels or None)


def _of(reading: Reading) -> list[str]:
    return [reading.channel, reading.role, reading.of]
