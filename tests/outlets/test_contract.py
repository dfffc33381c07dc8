"""Does every file in benchd/outlets keep the contract of runtime/contracts.py?  A new file is tested without an edit.

An outlet whose settings have no defaults says in `json_schema_extra["examples"]` of its Settings what to test it with:
a configuration whose other side is not there.
"""

from __future__ import annotations

import asyncio
import importlib
import inspect
import pkgutil
import sys
import threading
from collections.abc import Iterator
from contextlib import contextmanager, suppress
from types import ModuleType
from typing import Any

import pytest
from outlet_tools import Bench, leak, word
from phone import until
from plugin_contract import check_settings, settings_alone

import benchd.outlets
from benchd.core.findings import Effect, PotIsolated
from benchd.core.model import Card, MarkAnswer, Quality, Reading, Subject
from benchd.errors import OutletError

KINDS = sorted(m.name for m in pkgutil.iter_modules(benchd.outlets.__path__) if not m.name.startswith("_"))


@pytest.fixture(params=KINDS)
def kind(request: pytest.FixtureRequest) -> str:
    return str(request.param)


@pytest.fixture
def module(kind: str) -> ModuleType:
    return importlib.import_module(f"benchd.outlets.{kind}")


def effects(t: float) -> list[Effect]:
    """One of every kind, with what is awkward: nothing measured, no number, long and strange text."""
    subject = Subject(bench="north", pot="barrel", load="barrel-3")
    return [
        Reading(t, "barrel-pressure", "pot_pressure", "barrel", None, None, Quality.FAULT, "open"),
        Reading(t, "x", "unheard_of", "", float("nan"), float("inf")),
        Card(t=t, of="mold", id="M02/#", body={"text": "x" * 6000, "nothing": None, "list": [1.5, "a"]}),
        Card(t=t, of="pot", id="barrel", body={}),
        leak(t),
        word(t, "caf\u00e9 \x1b[2J \u2713 " + "x" * 6000),
        MarkAnswer(t=t, id="", verb="mix/#", ok=False, why="\x00"),
        PotIsolated(t=t, subject=subject, since=t, by="seen"),
    ]


def test_the_file_says_what_it_is(module: ModuleType) -> None:
    """A docstring whose first line asks or tells something; `make(settings, tools)`."""
    assert len((module.__doc__ or "").strip().splitlines()[0]) > 20
    assert list(inspect.signature(module.make).parameters) == ["settings", "tools"]


def test_settings_are_frozen_strict_and_named_like_the_file(kind: str, module: ModuleType) -> None:
    check_settings(kind, module.Settings, settings_alone(module))


_TOUCHED: list[str] | None = None


def _hear(event: str, arguments: tuple[Any, ...]) -> None:
    if _TOUCHED is not None and event in ("open", "socket.connect", "socket.getaddrinfo", "subprocess.Popen"):
        _TOUCHED.append(f"{event} {arguments[:1]}")


sys.addaudithook(_hear)


@contextmanager
def touching() -> Iterator[list[str]]:
    """What files, sockets and processes are opened in the block (sys.audit events of the Python manual)."""
    global _TOUCHED
    _TOUCHED = []
    try:
        yield _TOUCHED
    finally:
        _TOUCHED = None


async def test_making_one_opens_nothing(module: ModuleType) -> None:
    """A broker that hangs must not keep the watch from starting: no file, name, socket or process is touched."""
    bench, settings = Bench(), settings_alone(module)
    with touching() as touched:
        module.make(settings, bench.tools)
    assert touched == []


async def test_it_runs_is_told_everything_and_stops_cleanly(module: ModuleType) -> None:
    """Its other side missing, it goes on or raises OutletError; cancelled, it leaves no task, thread or listener."""
    bench = Bench()
    threads, tasks = set(threading.enumerate()), asyncio.all_tasks()
    outlet = module.make(settings_alone(module), bench.tools)
    assert inspect.iscoroutinefunction(outlet.run)
    running = asyncio.create_task(outlet.run())
    await asyncio.sleep(0.05)
    for number in range(3):
        bench.tell(*effects(1000.0 + number))
        await asyncio.sleep(0.05)
    running.cancel()
    assert (await asyncio.wait([running], timeout=4.0))[0], "did not stop within 4 s"
    if not running.cancelled():
        assert isinstance(running.exception(), OutletError), running.exception()
    assert bench.tools.bulletin._listeners == []
    assert asyncio.all_tasks() == tasks
    await asyncio.get_running_loop().shutdown_default_executor()
    await until(lambda: set(threading.enumerate()) <= threads)


async def test_it_can_run_again(module: ModuleType) -> None:
    """What its supervisor does after an OutletError: the same outlet, run anew."""
    bench = Bench()
    outlet = module.make(settings_alone(module), bench.tools)
    for _ in range(2):
        running = asyncio.create_task(outlet.run())
        await asyncio.sleep(0.05)
        running.cancel()
        with suppress(asyncio.CancelledError, OutletError):
            await running
    assert bench.tools.bulletin._listeners == []
