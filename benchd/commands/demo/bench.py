"""The bench that the demo runs on: the example files, a board on a pseudo-terminal, its own broker and ports."""

from __future__ import annotations

import contextlib
import shutil
import socket
from collections.abc import AsyncIterator
from pathlib import Path

import tomlkit

from benchd.errors import OutletError, PluginError
from benchd.runtime.mqtt.embedded_broker import EmbeddedBroker
from benchd.runtime.printing.terminal import say

JOURNAL = "journal.db"


@contextlib.asynccontextmanager
async def maybe_broker() -> AsyncIterator[EmbeddedBroker | None]:
    """The embedded broker, or None, with a message, when it is not installed or does not start."""
    broker = EmbeddedBroker(free_port(), free_port())
    try:
        await broker.start()
    except (PluginError, OutletError) as error:
        say(f"no broker: {error}", "The bench is watched and logged all the same; words appear here.")
        yield None
        return
    try:
        yield broker
    finally:
        await broker.stop()


def example_config() -> Path:
    """The folder of example files: beside the package in a clone, inside it when installed."""
    package = Path(__file__).resolve().parents[2]
    inside = package / "example_config"
    return inside if inside.is_dir() else package.parent / "config"


def write_config(folder: Path, broker: EmbeddedBroker | None, page_port: int | None = None) -> Path:
    """Write the example bench: its board on the demo's port, in demo time, its journal in the folder, maybe a page."""
    example = example_config()
    bench = tomlkit.parse((example / "bench.toml").read_text("utf-8"))
    source = bench["source"][0]
    source["port"] = str(folder / "board")
    source.pop("clock", None)
    bench["journal"] = {"path": str(folder / JOURNAL)}
    bench.pop("mqtt", None)
    if page_port is not None:
        bench["page"] = {"listen": f"127.0.0.1:{page_port}"}
    if broker is not None:
        bench["mqtt"] = {
            "host": "127.0.0.1", "port": broker.port, "username": broker.username,
            "password_file": str(broker.password_file),
        }  # fmt: skip
    path = folder / "bench.toml"
    path.write_text(tomlkit.dumps(bench), "utf-8")
    shutil.copyfile(example / "shelf.toml", folder / "shelf.toml")
    shutil.copytree(example / "resins", folder / "resins", dirs_exist_ok=True)
    return path


def free_port() -> int:
    """A loopback TCP port that is not in use."""
    with socket.create_server(("127.0.0.1", 0)) as listener:
        return int(listener.getsockname()[1])
