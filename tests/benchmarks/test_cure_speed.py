"""What does one update of a forecast cost, at any age of a fast or slow resin, and one resin's section table?

The baseline of both is plain and in the same run: one cup integrated by scipy (`solve_ivp`, rtol 1e-6), as a fit
without the batched march would need 33 times for each step; and one section solved alone.
"""

from __future__ import annotations

import math
import time
from collections.abc import Callable
from typing import Any

import numpy as np
import pytest
from accuracy.kick_score import kicking, label, run
from benchmarks.test_throughput import told
from rehearsed.pours import draw_resin
from scipy.integrate import solve_ivp

from benchd.core.bench import Resin
from benchd.core.findings import Kicked
from benchd.physics.label_cure import resin_cure
from benchd.physics.section_table import Conditions, solve, solve_table

SETS = 33  # curves a step: three shapes, each with its ten neighbours


def took_ms(work: Callable[[], Any], rounds: int = 3) -> float:
    best = math.inf
    for _ in range(rounds):
        since_s = time.perf_counter()
        work()
        best = min(best, 1e3 * (time.perf_counter() - since_s))
    return best


def plain_cup() -> None:
    def slopes(t: float, y: Any) -> tuple[float, float]:
        rate = 0.0045 * math.exp(52e3 / 8.314 * (1 / 298.15 - 1 / (y[1] + 273.15)))
        rate *= (0.3 + max(y[0], 0.0) ** 1.6) * (1.0 - min(y[0], 1.0)) ** 2.15
        return rate, 118.0 * rate - (y[1] - 22.0) / 1000.0

    assert solve_ivp(slopes, (0.0, 1200.0), [0.0, 22.0], rtol=1e-6, atol=1e-6).success


@pytest.mark.timeout(120)
@pytest.mark.parametrize("pot_life_s", [150.0, 1100.0])
def test_the_cost_of_an_update(capsys: Any, pot_life_s: float) -> None:
    resin = draw_resin(6100, "steady", pot_life_s=pot_life_s)
    found, costs = run(label(resin), kicking(resin, 610_000, "witness", fault=""))
    assert any(isinstance(f, Kicked) for f in found)
    assert len(costs) > 20
    last = costs[-len(costs) // 4 :]
    plain = took_ms(plain_cup)
    median, p99 = np.percentile(costs, [50.0, 99.0])
    told(
        capsys,
        f"update, pot life {pot_life_s:.0f} s: median {median:.1f} ms, p99 {p99:.1f}, last quarter "
        f"{np.median(last):.1f}; {median / plain:.2f} of one plain cup, where it integrates {SETS} a step",
    )


@pytest.mark.timeout(120)
@pytest.mark.parametrize("pot_life_s", [165.0, 420.0, 1200.0])
def test_the_cost_of_a_resins_table(capsys: Any, pot_life_s: float) -> None:
    shown = Resin(id="drawn", name="Drawn", pot_life_s=pot_life_s, demold_s=4.0 * pot_life_s)
    cure = resin_cure(shown.pot_life_s, shown.pot_life_mass_g, shown.cure)
    table = solve_table(cure, pot_life_s)
    assert table.ln_times(Conditions(thick_mm=6.0))["hard"] > math.log(pot_life_s)
    whole = took_ms(lambda: solve_table(cure, pot_life_s), 1)
    one = took_ms(lambda: solve(cure, [Conditions(thick_mm=6.0)], pot_life_s))
    told(
        capsys,
        f"section table, pot life {pot_life_s:.0f} s: {whole / 1e3:.2f} s, {whole / one:.1f} of one section alone",
    )
