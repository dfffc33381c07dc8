"""Keeps what takes a restart as it was when files are read again, and names it.

The bench itself (channels, pots, cups, molds, lots, resins, thresholds, units, hours) changes at once.  What holds a
port, a file, a connection or a name open does not: sources, outlets, `[page]`, the journal's path, shop and bench id.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import replace
from typing import Any

from benchd.settings.loading import Loaded

PAGE_KEYS = {
    "host": "listen", "port": "listen", "pairing": "pairing", "names": "names", "certificate": "certificate",
    "key": "key",
}  # fmt: skip


def kept_until_restart(started: Loaded, fresh: Loaded) -> tuple[Loaded, tuple[str, ...]]:
    """`fresh` with what takes a restart kept from `started`, and the tables and keys that differ, as people write them.

    Compared with the start, not the last reading, so that it is reported each time until the restart.
    """
    kept = replace(
        fresh,
        bench=replace(fresh.bench, id=started.bench.id, shop=started.bench.shop),
        sources=started.sources,
        outlets=started.outlets,
        page=started.page,
        journal_path=started.journal_path,
    )
    return kept, (
        *(f"[bench] {key}" for key in ("shop", "id") if getattr(started.bench, key) != getattr(fresh.bench, key)),
        *(f"[[source]] {id}" for id in _differing(started.sources, fresh.sources)),
        *(f"[{name}]" for name in _differing(started.outlets, fresh.outlets)),
        *_page_keys(started, fresh),
        *(["[journal] path"] if started.journal_path != fresh.journal_path else []),
    )


def _differing(before: Mapping[str, Any], after: Mapping[str, Any]) -> list[str]:
    return [name for name in dict.fromkeys((*before, *after)) if before.get(name) != after.get(name)]


def _page_keys(started: Loaded, fresh: Loaded) -> list[str]:
    changed = [name for part, name in PAGE_KEYS.items() if getattr(started.page, part) != getattr(fresh.page, part)]
    return [f"[page] {', '.join(dict.fromkeys(changed))}"] if changed else []
