"""Does every file in benchd/sources keep the contract of runtime/contracts.py?  A new file is tested without an edit.

A source whose settings have no defaults is given a place that does not exist for each text it needs, or what its
Settings show in `json_schema_extra["examples"]`: a configuration whose other side is not there.
"""

from __future__ import annotations

import asyncio
import importlib
import inspect
import pkgutil
import threading
from types import ModuleType
from typing import Any

import pytest
from phone import until
from plugin_contract import check_settings, settings_alone

import benchd.sources
from benchd.core.model import Context, Input, Line, Mark, RawLine, Status
from benchd.errors import SourceError
from benchd.runtime.clock import BenchClock

KINDS = sorted(m.name for m in pkgutil.iter_modules(benchd.sources.__path__) if not m.name.startswith("_"))
NOWHERE = "/nonexistent/other-side"


@pytest.fixture(params=KINDS)
def kind(request: pytest.FixtureRequest) -> str:
    return str(request.param)


@pytest.fixture
def module(kind: str) -> ModuleType:
    return importlib.import_module(f"benchd.sources.{kind}")


def alone(module: ModuleType) -> Any:
    """Settings whose other side is missing; a place that does not exist for each text they need."""
    return settings_alone(module, **{n: NOWHERE for n, f in module.Settings.model_fields.items() if f.is_required()})


class Kept:
    """An inbox that keeps what is put, and where from."""

    def __init__(self) -> None:
        self.items: list[Input] = []
        self.loop = asyncio.get_running_loop()
        self.from_elsewhere = 0

    def put(self, item: Input, /) -> None:
        try:
            self.from_elsewhere += asyncio.get_running_loop() is not self.loop
        except RuntimeError:
            self.from_elsewhere += 1
        self.items.append(item)


def test_the_file_says_what_it_is(module: ModuleType) -> None:
    """A docstring whose first line asks or tells something; `make(settings, id, clock)`."""
    assert len((module.__doc__ or "").strip().splitlines()[0]) > 20
    assert list(inspect.signature(module.make).parameters) == ["settings", "id", "clock"]


def test_settings_are_frozen_strict_and_named_like_the_file(kind: str, module: ModuleType) -> None:
    check_settings(kind, module.Settings, alone(module))


async def test_alone_it_waits_ends_or_raises_source_error_and_stops_cleanly(module: ModuleType) -> None:
    """With its other side missing: nothing but SourceError; cancelled, it leaves no task and no thread behind.

    Whatever it puts comes on the event loop, under its own id, and never a context: that is the daemon's.
    """
    threads, tasks = set(threading.enumerate()), asyncio.all_tasks()
    inbox = Kept()
    source = module.make(alone(module), "board", BenchClock())
    assert inspect.iscoroutinefunction(source.run)
    running = asyncio.create_task(source.run(inbox))
    await asyncio.wait([running], timeout=0.4)
    running.cancel()
    assert (await asyncio.wait([running], timeout=4.0))[0], "did not stop within 4 s"
    if not running.cancelled() and running.exception() is not None:
        assert isinstance(running.exception(), SourceError), running.exception()
    assert inbox.from_elsewhere == 0
    assert {item.source for item in inbox.items if isinstance(item, Line | RawLine | Status)} <= {"board"}
    assert not [item for item in inbox.items if isinstance(item, Context)]
    assert all(item.id for item in inbox.items if isinstance(item, Mark))
    assert asyncio.all_tasks() == tasks
    await asyncio.get_running_loop().shutdown_default_executor()
    await until(lambda: set(threading.enumerate()) <= threads)


async def test_it_can_run_again(module: ModuleType) -> None:
    """What its supervisor does after a SourceError: the same source, run anew, fails, waits or ends as it may."""
    source = module.make(alone(module), "board", BenchClock())
    ends: list[str] = []
    for _ in range(2):
        running = asyncio.create_task(source.run(Kept()))
        await asyncio.wait([running], timeout=0.3)
        running.cancel()
        await asyncio.wait([running], timeout=4.0)
        ends.append("cancelled" if running.cancelled() else type(running.exception()).__name__)
    assert set(ends) <= {"cancelled", "SourceError", "NoneType"}
