"""Do past loads teach the times the calls are counted back with?"""

from __future__ import annotations

from typing import Any

from benchd.core.learned.habits import habits
from benchd.core.model.learned import CasterHabits, Learned, PotHabits


def load(number: int, lid: float = 24.0, fill: float = 30.0, pour: float = 14.0) -> list[dict[str, Any]]:
    """Printed findings of one load: three molds, then lid and fill."""
    t, name = 1000.0 * number, f"cup-1-{number}"
    molds = [{"t": t + pour * i, "finding": "mold_poured", "pour": name, "mold": f"m{i}"} for i in range(3)]
    closed_t = t + 2 * pour + lid
    closed = {"t": closed_t, "finding": "load_closed", "pot": "barrel", "load": f"l{number}", "pours": [name]}
    up = {"t": closed_t + fill + 5, "finding": "pot_at_pressure", "pot": "barrel", "load": f"l{number}",
          "since": closed_t + fill}  # fmt: skip
    return [*molds, closed, up]


def test_three_loads_teach_the_caster_and_the_pot() -> None:
    known = habits([f for i, lid in enumerate((20.0, 31.0, 24.0)) for f in load(i, lid)])
    pots = {"barrel": PotHabits(fill_s=30.0)}
    assert known == Learned(caster=CasterHabits(pour_s=14.0, lid_s=24.0), pots=pots)
    assert (known.pot("barrel").fill_s, known.pot("drum").fill_s, known.pot(None).fill_s) == (30.0, None, None)


def test_two_loads_teach_no_lid_time() -> None:
    assert habits([*load(1), *load(2)]).caster.lid_s is None
    assert habits([]) == Learned()


def test_what_no_hand_does_teaches_nothing() -> None:
    """A load left open over lunch is no lid time."""
    known = habits([f for i in range(4) for f in load(i, lid=900.0 if i < 2 else 24.0)])
    assert (known.caster.lid_s, known.caster.pour_s) == (None, 14.0)


def test_the_last_twenty_count() -> None:
    old, new = [load(i, 40.0) for i in range(30)], [load(30 + i, 20.0) for i in range(20)]
    assert habits([f for some in (*old, *new) for f in some]).caster.lid_s == 20.0
