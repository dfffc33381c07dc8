"""Do tank, compressor, regulator and hose behave?"""

from __future__ import annotations

import pytest

from benchd.rehearsal.supply import Supply, SupplySpec
from benchd.rehearsal.vessel import P_ATM_PA, PA_PER_PSI

POT_PA = 42.0 * PA_PER_PSI + P_ATM_PA


def hose_psi(supply: Supply) -> float:
    return (supply.hose_pa - P_ATM_PA) / PA_PER_PSI


def run(supply: Supply, seconds: float, drawn_kg_s: float = 0.0, is_open: bool = False, pot_pa: float = POT_PA) -> None:
    for _ in range(round(seconds / 0.25)):
        supply.step(0.25, drawn_kg_s, is_open, pot_pa)


def test_tank_mass_is_what_was_pumped_less_what_was_drawn() -> None:
    supply = Supply(SupplySpec(tank_psi=84.0, pump_g_s=1.0), 20.0)
    before_kg = supply.mass_kg
    run(supply, 10.0, drawn_kg_s=4e-4)
    assert supply.is_pumping
    assert supply.mass_kg - before_kg == pytest.approx(10.0 * (1e-3 - 4e-4), rel=1e-6)


def test_compressor_runs_between_its_two_points() -> None:
    supply = Supply(SupplySpec(tank_psi=86.0), 20.0)
    run(supply, 30.0, drawn_kg_s=1e-3)
    assert supply.is_pumping
    assert supply.starts == 1
    run(supply, 400.0)
    assert not supply.is_pumping
    assert 100.0 < supply.tank_psi <= 121.0
    assert supply.temp_k > supply.room_k + 3.0


def test_a_switched_off_compressor_stays_off() -> None:
    supply = Supply(SupplySpec(tank_psi=60.0), 20.0)
    supply.is_energised = False
    run(supply, 60.0)
    assert not supply.is_pumping


def test_regulator_droops_with_flow_and_locks_up_without() -> None:
    supply = Supply(SupplySpec(droop_psi_s_g=2.0), 20.0)
    run(supply, 5.0, drawn_kg_s=1e-3, is_open=True, pot_pa=P_ATM_PA)
    assert hose_psi(supply) == pytest.approx(40.0, abs=0.01)
    run(supply, 5.0)
    assert hose_psi(supply) == pytest.approx(42.0, abs=0.01)


def test_creep_is_a_fifth_of_a_psi_a_minute() -> None:
    """The demo's variant: +0.2 psi/min, fed."""
    supply = Supply(SupplySpec(creep_psi_min=0.2), 20.0)
    run(supply, 600.0, is_open=True)
    assert hose_psi(supply) == pytest.approx(44.0, abs=0.02)


def test_dead_band_makes_a_saw_tooth() -> None:
    supply = Supply(SupplySpec(dead_band_psi=1.0), 20.0)
    run(supply, 10.0, is_open=True)
    run(supply, 10.0, is_open=True, pot_pa=POT_PA - 0.5 * PA_PER_PSI)
    assert hose_psi(supply) == pytest.approx(41.5, abs=0.02)  # still shut: the hose follows the pot
    run(supply, 10.0, is_open=True, pot_pa=POT_PA - 1.1 * PA_PER_PSI)
    assert hose_psi(supply) == pytest.approx(42.0, abs=0.02)  # open again


def test_a_pulled_hose_reads_zero_and_a_dumped_tank_is_at_room() -> None:
    supply = Supply(SupplySpec(tank_warm_k=9.0), 24.1)
    supply.is_connected = False
    run(supply, 5.0)
    assert hose_psi(supply) == pytest.approx(0.0, abs=1e-3)
    assert supply.temp_k > supply.room_k + 8.0
    supply.dump()
    assert supply.temp_k == supply.room_k
    assert supply.tank_psi == pytest.approx(112.0)
