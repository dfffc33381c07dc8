"""What the tests of compiled boards share: each board built once, and the host that plays scenarios into its pins."""

from __future__ import annotations

from pathlib import Path

import pytest
from firmware.avr_runs import AVR_BOARDS, Board
from some_of import some_of


@pytest.fixture(scope="session")
def avr_build(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Where everything compiled goes."""
    return tmp_path_factory.mktemp("avr")


@pytest.fixture(params=some_of(AVR_BOARDS, 1))
def board(request: pytest.FixtureRequest, avr_build: Path) -> Board:
    """Each ATmega328P board in turn, both must behave the same; the default run plays the second in test_arduino.py."""
    return Board(request.param, avr_build)


@pytest.fixture
def avr_c(avr_build: Path) -> Board:
    return Board("avr_c", avr_build)
