"""Copies shelf and resins into a service's state directory: once, each whole or not at all.

A service may not write beside its bench.toml, so the page's form and `benchd learn` need a place of their own.  What is
not there yet is copied at the start: the shelf as a file, the resins as a folder, each under its name only once all of
it is on disk.  After that the copy is used.  If copying fails, the one beside bench.toml is used.
"""

from __future__ import annotations

import os
import shutil
import tempfile
from collections.abc import Mapping
from dataclasses import dataclass
from pathlib import Path

from benchd.runtime.files.whole_file import UNFINISHED, give_to_owner_of, put_whole, sync
from benchd.settings.origin import RESINS, SHELF, Origin, contents, read_origin, sums, write_origin
from benchd.settings.places import Places


@dataclass(frozen=True, slots=True)
class Moved:
    """What was done: what was copied, as sentences, and what went wrong ("" for nothing)."""

    copied: tuple[str, ...] = ()
    trouble: str = ""


def move_in(places: Places) -> Moved:
    """Copy what the state directory doesn't have, and note what is beside bench.toml now.

    Call it only with a checked configuration: a broken shelf has to be mended where it is.
    """
    if not places.is_service:
        return Moved()
    home, state = places.bench.parent, places.state
    copied: list[str] = []
    missing: list[str] = []
    try:
        beside = contents(home)
        missing = _missing(places, beside)
        state.mkdir(mode=0o700, parents=True, exist_ok=True)
        _clear(state)
        _note(places, beside, missing)  # first: a copy without its note would count as put there by hand
        for name in missing:
            _copy(state, name, beside)
            copied.append(f"{home / name} is copied to {state / name}, which is read from now on")
    except OSError as error:
        why = error.strerror or str(error)
        left = " and ".join(str(home / name) for name in missing if not os.path.lexists(state / name))
        said = f"{left} cannot be copied there and can still be read, but not changed on the page: " if left else ""
        return Moved(tuple(copied), f"{state}: {said}{why}; make room or rights there, then restart benchd")
    return Moved(tuple(copied))


def _missing(places: Places, beside: Mapping[str, bytes]) -> list[str]:
    """Which of shelf and resins are beside bench.toml only."""
    wanted = [] if places.is_shelf_named or SHELF not in beside else [SHELF]
    wanted += [RESINS] if any(name != SHELF for name in beside) else []
    return [name for name in wanted if not os.path.lexists(places.state / name)]


def _note(places: Places, beside: Mapping[str, bytes], missing: list[str]) -> None:
    """Record whose state directory this is and what is copied now; a file equal to its copy is no change."""
    whole, now, kept = os.path.realpath(places.bench), sums(beside), sums(contents(places.state))
    before = read_origin(places.state)
    seen = dict(before.seen) if before is not None and before.bench == whole else {}
    seen |= {n: s for n, s in now.items() if kept.get(n) == s or n.partition("/")[0] in missing}
    origin = Origin(whole, seen)
    if origin != before:
        write_origin(places.state, origin)


def _copy(state: Path, name: str, files: Mapping[str, bytes]) -> None:
    if name == SHELF:
        put_whole(state / SHELF, files[SHELF])
        return
    draft = Path(tempfile.mkdtemp(prefix=UNFINISHED, dir=state))
    try:
        handle = os.open(draft, os.O_RDONLY)
        try:
            give_to_owner_of(state, handle)
        finally:
            os.close(handle)
        for file, content in files.items():
            if file != SHELF:
                put_whole(draft / Path(file).name, content)
        os.rename(draft, state / RESINS)
    except BaseException:  # also Ctrl-C: all files are moved in, or none
        shutil.rmtree(draft, ignore_errors=True)
        raise
    sync(state)


def _clear(state: Path) -> None:
    """Delete what an interrupted start left behind."""
    for path in state.glob(f"{UNFINISHED}*"):
        if path.is_dir() and not path.is_symlink():
            shutil.rmtree(path)
        else:
            path.unlink()
