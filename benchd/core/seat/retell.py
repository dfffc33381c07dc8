"""Decides when a forecast is published again: when it has moved, time is short, or it has been silent for long."""

from __future__ import annotations

from dataclasses import dataclass
from math import inf

from benchd.stored import stored


@stored("retell-rule")
@dataclass(frozen=True, slots=True, kw_only=True)
class RetellRule:
    """When a forecast is published again.

    When any of its times moved by more than least_move_s and least_move_share of the time left, when the time left
    enters one of lines_s, or after refresh_s; never within least_gap_s of the last time.
    """

    least_gap_s: float
    least_move_s: float
    least_move_share: float = 0.0
    refresh_s: float = inf
    lines_s: tuple[float, ...] = ()


@stored("retell")
@dataclass(slots=True)
class Retell:
    """Remembers the last published value of one forecast."""

    rule: RetellRule
    t: float | None = None
    at: float = 0.0
    edge: float = 0.0

    def is_due(self, t: float, at: float, edge: float, may_move: bool = True) -> bool:
        """Whether the forecast `at` [unix s], with its nearest edge, should be published at t.

        If so it counts as published.

        may_move False: its moves are not worth publishing now (a forecast that only shifts along with the clock).
        """
        if self.t is not None and not self._is_news(t, at, edge, may_move):
            return False
        self.t, self.at, self.edge = t, at, edge
        return True

    def _is_news(self, t: float, at: float, edge: float, may_move: bool) -> bool:
        rule, told_t = self.rule, self.t if self.t is not None else t
        left_s, before_s = at - t, self.at - told_t
        if t - told_t < rule.least_gap_s:
            return False
        enters = any(left_s <= line_s < before_s for line_s in rule.lines_s)
        moved_s = max(abs(at - self.at), abs(edge - self.edge))
        has_moved = may_move and moved_s > max(rule.least_move_s, rule.least_move_share * left_s)
        return enters or has_moved or t - told_t >= rule.refresh_s
