"""Defines the tables of bench.toml that say how the daemon itself is served and keeps, and what all tables share."""

from __future__ import annotations

from typing import Annotated

from pydantic import BaseModel, ConfigDict, Field

from benchd.runtime.journal.age.keep import LEAST_MONTHS
from benchd.settings.quantities import kept_months


class TableShape(BaseModel):
    """What all tables share: unknown keys refused, numbers finite, no guessing between types."""

    model_config = ConfigDict(extra="forbid", frozen=True, strict=True, allow_inf_nan=False)


class PageTable(TableShape):
    """The daemon's HTTP interface."""

    listen: str = Field(default="127.0.0.1:8127", examples=["127.0.0.1:8127", "192.168.7.20:8127"])
    pairing: bool = Field(
        default=False, description="HTTPS, and only paired phones come in; beyond this machine always"
    )
    names: list[str] = Field(
        default_factory=list,
        examples=[["bench.lan", "192.168.7.20"]],
        description="names and addresses phones open the page by; the listening address unless given",
    )
    certificate: str | None = Field(default=None, description="your own certificate chain (PEM); else benchd makes one")
    key: str | None = Field(default=None, description="its key (PEM), readable by benchd alone")


class JournalTable(TableShape):
    """Where the journal lies, and how long it keeps what need not be kept for good."""

    path: str | None = Field(
        default=None, examples=["/var/lib/benchd/journal.db"], description="beside this file if relative"
    )
    keep_lines: Annotated[int | None, *kept_months(LEAST_MONTHS["lines"])] = Field(
        default=None, examples=["24 months"], description="the boards' lines of loads; else forever"
    )
    keep_minutes: Annotated[int | None, *kept_months(LEAST_MONTHS["minutes"])] = Field(
        default=None, examples=["60 months"], description="one-minute values of the channels; else forever"
    )
    keep_words: Annotated[int | None, *kept_months(LEAST_MONTHS["words"])] = Field(
        default=None, examples=["24 months"], description="words, and alerts of priority 3 and below; else forever"
    )
    keep_findings: Annotated[int | None, *kept_months(LEAST_MONTHS["findings"])] = Field(
        default=None, examples=["24 months"], description="forecasts and notices, of which no record is made"
    )
