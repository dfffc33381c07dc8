"""Finds a bench's files: one list, for the daemon, for every command and for `benchd check`.

1. bench.toml is where -c says.  No daemon writes it; `benchd calibrate` does, if its user may.
2. shelf.toml and resins/ are beside it.  A service may not write there: it reads those in its state directory and no
   longer those beside bench.toml (`move_in.py` copies them once, `origin.py` records it).
3. The journal is in the state directory unless `[journal] path` says otherwise, and all else is beside the journal.
4. The state directory is $STATE_DIRECTORY, as a service manager gives it; for a command started by hand the one below
   /var/lib whose origin.json names this bench.toml; else the user's own, where no shelf is looked for.
5. A link in a service's state directory is not followed: a command run as root would write wherever it points.
"""

from __future__ import annotations

import os
import stat
from dataclasses import dataclass
from pathlib import Path

from benchd.errors import Complaint, SettingsError
from benchd.runtime.files.beside import ORDERS, RUN_SHEET
from benchd.settings.origin import RESINS, SHELF, contents, read_origin, sums

SYSTEM_STATE = Path("/var/lib")
SYSTEM_CONFIG = Path("/etc")


@dataclass(frozen=True, slots=True)
class Places:
    """Where the files of one bench are now."""

    bench: Path
    shelf: Path
    resins: Path
    state: Path
    """Where the journal lies unless [journal] path says otherwise."""
    is_service: bool = False
    """Shelf and resins are looked for in `state` first."""
    is_shelf_named: bool = False
    """The shelf's place was given by --shelf."""

    @property
    def keeps_shelf(self) -> bool:
        """True if the shelf is the state directory's own."""
        return self.is_service and self.shelf == self.state / SHELF

    @property
    def keeps_resins(self) -> bool:
        """True if the resins are the state directory's own."""
        return self.is_service and self.resins == self.state / RESINS

    def instead_of(self, path: Path) -> str:
        """The words for a shelf or resins read while others are beside bench.toml: those others are not read."""
        beside = self.bench.parent / path.name
        is_kept = self.keeps_shelf if path == self.shelf else self.keeps_resins
        return f"; {beside} is not read" if is_kept and beside.exists() else ""


@dataclass(frozen=True, slots=True)
class Lying:
    """One line of the list: what it is, where, and what it holds."""

    name: str
    path: Path
    holds: str


def places_of(bench: Path, shelf: Path | None = None) -> Places:
    """Where the files of this bench.toml are; `shelf` as given by --shelf.  Raises SettingsError.

    A file that is missing has the place where it would be made.
    """
    home, state = bench.parent, service_state(bench)
    if state is None or _is_same(state, home):
        return Places(bench, shelf or home / SHELF, home / RESINS, state or own_state(), False, shelf is not None)
    is_kept = _is_real(state / SHELF, stat.S_IFREG)
    is_nowhere = not os.path.lexists(state / SHELF) and not (home / SHELF).exists()
    return Places(
        bench,
        shelf or (state if is_kept or is_nowhere else home) / SHELF,
        (state if _is_real(state / RESINS, stat.S_IFDIR) else home) / RESINS,
        state,
        is_service=True,
        is_shelf_named=shelf is not None,
    )


def service_state(bench: Path) -> Path | None:
    """The state directory of the service that watches by this bench.toml; None if there is no such service.

    Raises SettingsError if there is one that this user may not look into.
    """
    given = os.environ.get("STATE_DIRECTORY")
    if given:
        return Path(given.split(":")[0])
    whole = os.path.realpath(bench)
    for name in dict.fromkeys((bench.absolute().parent.name, "benchd")):
        folder = SYSTEM_STATE / name
        try:
            origin = read_origin(folder)
        except PermissionError as error:
            if bench.absolute().is_relative_to(SYSTEM_CONFIG):
                problem = f"is watched by a service, which keeps its shelf in {folder}, and you may not look there"
                raise SettingsError(Complaint(str(bench), "file", problem, "run the command with sudo")) from error
            continue
        if origin is not None and origin.bench == whole:
            return folder
    return None


def own_state() -> Path:
    """The user's own state directory."""
    return Path(os.environ.get("XDG_STATE_HOME") or Path.home() / ".local" / "state") / "benchd"


def cautions(places: Places) -> list[Complaint]:
    """Warnings about files that are not read although a person may think so."""
    if not places.is_service:
        return []
    home, state = places.bench.parent, places.state
    found = [
        Complaint(str(path), "file", f"is a link, which is not followed there; {used} is read", "put the file itself")
        for path, used in ((state / SHELF, places.shelf), (state / RESINS, places.resins))
        if path.is_symlink()
    ]
    return found + [_not_read(home / name, state / name) for name in changed_since(places)]


def _not_read(path: Path, kept: Path) -> Complaint:
    how = f"was changed since {kept} took its place" if kept.exists() else f"is not in {kept.parent}"
    return Complaint(str(path), "file", f"is not read, and {how}", f"cp {path} {kept}, or remove this one")


def changed_since(places: Places) -> list[str]:
    """The files beside bench.toml that are no longer read and were changed or added since."""
    names = tuple(n for n, is_kept in ((SHELF, places.keeps_shelf), (RESINS, places.keeps_resins)) if is_kept)
    try:
        origin = read_origin(places.state)
        kept, beside = sums(contents(places.state, names)), sums(contents(places.bench.parent, names))
    except OSError:
        return []  # what cannot be read is complained of where it is needed
    seen = origin.seen if origin is not None and origin.bench == os.path.realpath(places.bench) else {}
    return [name for name, sum in beside.items() if sum not in (kept.get(name), seen.get(name))]


def listed(places: Places, journal: Path) -> list[Lying]:
    """Every file of a bench, in the order a person looks for them."""
    beside = journal.parent
    return [
        Lying("settings", places.bench, "the bench; of benchd only `calibrate` writes it"),
        Lying("shelf", places.shelf, f"molds and lots{places.instead_of(places.shelf)}"),
        Lying("resins", places.resins, f"labels, and what `benchd learn` learned{places.instead_of(places.resins)}"),
        Lying("journal", journal, "all that was seen and said"),
        Lying("run sheet", beside / RUN_SHEET, "the day's plan, as kept"),
        Lying("orders", beside / ORDERS, "what was ordered, and how far it is"),
        Lying("calibrations", beside / "calibrations.jsonl", "points as they were, for --undo"),
        Lying("tables", beside / "tables", "computed from the resins; made again if removed"),
        Lying("keys", beside / "https", "the page's certificate, keys and paired phones"),
    ]


def _is_same(one: Path, other: Path) -> bool:
    return os.path.realpath(one) == os.path.realpath(other)


def _is_real(path: Path, kind: int) -> bool:
    """True if a file of this kind is there and is not a link."""
    try:
        return stat.S_IFMT(path.lstat().st_mode) == kind
    except OSError:
        return False
