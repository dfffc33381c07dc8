"""A daemon that may write in its state directory alone: is the shelf edited there, once copied, and kept?"""

from __future__ import annotations

import os
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest
from service_daemon import ServiceDaemon, etc_of, needs_mounts

from benchd.plugins import load_settings
from benchd.runtime.http.local_client import ask

GULL = {"name": "Harbour gull", "cavity_ml": "40", "thin_mm": "3", "thick_mm": "12"}
pytestmark = needs_mounts


@pytest.fixture
def daemon(tmp_path: Path) -> Iterator[ServiceDaemon]:
    """Not started yet."""
    made = ServiceDaemon(etc_of(tmp_path / "etc"))
    try:
        yield made
    finally:
        made.close()


def add_gull(daemon: ServiceDaemon, code: str = "M09") -> tuple[int, dict[str, Any]]:
    """What the page's form sends for a new mold, and the answer."""
    digest = daemon.get("/api/v0/shelf")["digest"]
    edit = {"digest": digest, "do": "add", "kind": "mold", "code": code, "keys": GULL}
    return ask("PUT", "/api/v0/shelf", edit, daemon.socket)


def molds(daemon: ServiceDaemon) -> list[str]:
    return list(daemon.get("/api/v0/state")["about"]["molds"])


def test_the_form_saves_beside_a_read_only_bench_and_the_bench_goes_by_it(daemon: ServiceDaemon) -> None:
    before = (daemon.folder / "shelf.toml").read_bytes()
    daemon.start()
    status, answer = add_gull(daemon)
    assert (status, answer["ok"], answer["why"]) == (200, True, "")
    assert "M09" in molds(daemon)
    assert daemon.stop() == 0
    assert b"Harbour gull" in (daemon.state / "shelf.toml").read_bytes()
    assert (daemon.folder / "shelf.toml").read_bytes() == before


@pytest.mark.wide
def test_a_restart_keeps_the_edit_and_copies_nothing_again(daemon: ServiceDaemon) -> None:
    daemon.start()
    add_gull(daemon)
    assert daemon.stop() == 0
    daemon.start()
    assert "M09" in molds(daemon)
    assert daemon.stop() == 0
    assert daemon.stderr.count(f"{daemon.folder}/shelf.toml is copied to {daemon.state}/shelf.toml") == 1
    assert daemon.stderr.count(f"{daemon.folder}/resins is copied to {daemon.state}/resins") == 1
    both = f'shelf {daemon.state}/shelf.toml; {daemon.folder}/shelf.toml is not read"'
    assert daemon.stderr.count(both) == 2  # at each start
    assert "is not read, and" not in daemon.stderr  # nothing was changed beside bench.toml


@pytest.mark.wide
def test_a_change_beside_the_bench_is_said_when_the_files_are_read_again(daemon: ServiceDaemon) -> None:
    daemon.start()
    path = daemon.folder / "shelf.toml"
    path.write_text(path.read_text("utf-8").replace("life = 60", "life = 61", 1), "utf-8")
    (daemon.folder / "resins" / "new-clear.toml").write_bytes(
        (daemon.folder / "resins" / "slow-clear.toml").read_bytes()
    )
    ask("POST", "/api/v0/reread", {}, daemon.socket)
    ask("POST", "/api/v0/reread", {}, daemon.socket)
    assert daemon.stop() == 0
    assert daemon.stderr.count(f"{path}: file: is not read, and was changed since {daemon.state}/shelf.toml took") == 1
    assert f"{daemon.folder}/resins/new-clear.toml: file: is not read, and is not in {daemon.state}" in daemon.stderr


def test_where_the_state_directory_takes_no_copy_the_bench_is_watched_and_the_form_says_why(
    daemon: ServiceDaemon,
) -> None:
    daemon.state.mkdir()
    (daemon.state / "shelf.toml").symlink_to(daemon.state / "nowhere")
    daemon.start()
    status, answer = add_gull(daemon)
    assert (status, answer["why"]) == (503, "shelf.toml: cannot be written: Read-only file system")
    assert "M01" in molds(daemon)
    assert daemon.stop() == 0
    assert f"{daemon.state}/shelf.toml: file: is a link, which is not followed there" in daemon.stderr
    assert not os.path.lexists(daemon.state / "nowhere")


@pytest.mark.wide
def test_what_was_kept_is_what_a_command_started_by_hand_reads(
    daemon: ServiceDaemon, monkeypatch: pytest.MonkeyPatch
) -> None:
    daemon.start()
    add_gull(daemon)
    assert daemon.stop() == 0
    monkeypatch.setattr("benchd.settings.places.SYSTEM_STATE", daemon.state.parent)
    monkeypatch.delenv("STATE_DIRECTORY", raising=False)
    os.rename(daemon.state, daemon.state.with_name("benchd"))
    loaded = load_settings(daemon.folder / "bench.toml")
    assert loaded.bench.mold("m09") is not None
    assert loaded.journal_path == daemon.state.parent / "benchd" / "journal.db"
