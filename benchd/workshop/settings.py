"""Reads workshop.toml: broker or NATS cluster, database, the name of the gatherer, where the page listens.

As with bench.toml every complaint is shown at once, with file, line, key and remedy.
"""

from __future__ import annotations

import os
import re
import socket
from dataclasses import dataclass
from pathlib import Path
from typing import Literal

from pydantic import BaseModel, ConfigDict, Field, field_validator

from benchd.errors import SettingsError, did_you_mean
from benchd.runtime.mqtt.address import BrokerAddress
from benchd.settings.bench_table import PageAddress, page_address
from benchd.settings.toml_file import Notes, TomlFile, toml_file
from benchd.settings.toml_tables import single
from benchd.workshop.gathering.from_nats import NatsAddress

CONFIG = Path("config/workshop.toml")
TABLES = ("broker", "nats", "database", "gather", "page", "shop")


class Broker(BrokerAddress):
    """The `[broker]` table: where the benches publish."""

    prefix: str = Field(default="benchd", pattern=r"^[A-Za-z0-9_-]+(/[A-Za-z0-9_-]+)*$", max_length=64)


class _Table(BaseModel):
    model_config = ConfigDict(frozen=True, extra="forbid")


class DatabaseTable(_Table):
    """The `[database]` table.  A password belongs into ~/.pgpass or a service file, not here."""

    dsn: str = Field(default="dbname=benchd", max_length=1000, examples=["host=/run/postgresql dbname=benchd"])

    @field_validator("dsn")
    @classmethod
    def _no_password(cls, dsn: str) -> str:
        if re.search(r"password\s*=|://[^/@]*:[^/@]*@", dsn):
            raise ValueError("a password does not belong here; use peer authentication, or passfile=FILE in the dsn")
        return dsn


class GatherTable(_Table):
    """The `[gather]` table."""

    name: str = Field(default="", pattern=r"^[a-z0-9-]{0,40}$", examples=["gather-1"])
    """The broker keeps what is for this gatherer under this name; the host's name unless given."""


class ShopTable(_Table):
    """The `[shop]` table: what its page shows."""

    name: str = Field(default="The shop", min_length=1, max_length=60, examples=["Quiet Harbour Figures"])
    pressure: Literal["psi", "bar", "kPa"] = "psi"


@dataclass(frozen=True, slots=True)
class Workshop:
    """A checked workshop.toml."""

    path: Path
    broker: Broker
    nats: NatsAddress | None
    database: DatabaseTable
    gather: GatherTable
    page: PageAddress
    shop: ShopTable

    @property
    def name(self) -> str:
        """The gatherer's name."""
        return self.gather.name or re.sub(r"[^a-z0-9-]+", "-", socket.gethostname().lower())[:40] or "gather"

    @property
    def state(self) -> Path:
        """Where the page's keys and paired screens are kept."""
        given = os.environ.get("STATE_DIRECTORY", "")
        return Path(given) if given else self.path.parent / "workshop-state"


def load_workshop(path: Path) -> Workshop:
    """The file, checked.  Raises SettingsError with every complaint."""
    notes = Notes()
    file = toml_file(path, notes)
    for name in file.values:
        if name not in TABLES:
            file.complain((name,), "no such table", did_you_mean(name, TABLES))
    found = Workshop(
        path, single(file, "broker", Broker) or Broker(), _nats(file), single(file, "database", DatabaseTable) or
        DatabaseTable(), single(file, "gather", GatherTable) or GatherTable(), page_address(file, path.parent),
        single(file, "shop", ShopTable) or ShopTable(),
    )  # fmt: skip
    if notes.complaints:
        raise SettingsError(notes.complaints)
    return found


def _nats(file: TomlFile) -> NatsAddress | None:
    return single(file, "nats", NatsAddress) if "nats" in file.values else None
