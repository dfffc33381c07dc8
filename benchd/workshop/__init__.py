"""Many benches: collects what they send into a database, and shows the shop on one screen.  README.md has the how-to.

    benches -> broker (MQTT 5, or a NATS cluster) -> gather -> PostgreSQL -> shop (the books)
                                   |------------------------------------->  shop (the wall)

A bench that has no shop never loads any of it.
"""

from __future__ import annotations

from collections.abc import Iterator
from contextlib import contextmanager

from benchd.errors import Complaint, PluginError


@contextmanager
def its_libraries() -> Iterator[None]:
    """Around the imports of what needs the extra: raises PluginError, with the remedy, where a library is missing."""
    try:
        yield
    except ImportError as error:
        raise PluginError(
            Complaint("benchd", "workshop", f"{error.name} is not installed", "pip install 'benchd[workshop]'")
        ) from error
