"""A service's shelf and resins: copied once into its state directory, whole or not at all, each later change said."""

from __future__ import annotations

import json
import os
import shutil
import subprocess
import sys
from pathlib import Path

import pytest
from service_daemon import APART, etc_of, needs_mounts
from some_of import some_of

from benchd.commands.run import settled
from benchd.errors import SettingsError
from benchd.plugins import load_settings
from benchd.settings import origin
from benchd.settings.move_in import move_in
from benchd.settings.places import places_of

ROOT = Path(__file__).parents[2]


@pytest.fixture
def etc(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    """The example in a folder of its own, with a state directory as systemd gives it."""
    folder = etc_of(tmp_path / "etc")
    shutil.copy(ROOT / "config" / "bench.toml", folder)
    monkeypatch.setenv("STATE_DIRECTORY", str(tmp_path / "state"))
    return folder


@pytest.fixture
def state(tmp_path: Path) -> Path:
    return tmp_path / "state"


def started(etc: Path) -> tuple[str, ...]:
    """What a start copies; nothing goes wrong."""
    moved = move_in(places_of(etc / "bench.toml"))
    assert moved.trouble == ""
    return moved.copied


def said(etc: Path) -> list[str]:
    """Cautions of a whole configuration about files that are not read."""
    return [str(w) for w in load_settings(etc / "bench.toml").warnings if w.key == "file"]


def names(folder: Path) -> list[str]:
    return sorted(p.relative_to(folder).as_posix() for p in folder.rglob("*") if p.is_file())


def test_both_are_copied_once_and_then_counted(etc: Path, state: Path) -> None:
    assert places_of(etc / "bench.toml").shelf == etc / "shelf.toml"
    assert started(etc) == (
        f"{etc}/shelf.toml is copied to {state}/shelf.toml, which is read from now on",
        f"{etc}/resins is copied to {state}/resins, which is read from now on",
    )
    assert started(etc) == ()
    resins = ["resins/fast-white.toml", "resins/medium-white.toml", "resins/slow-clear.toml"]
    assert names(state) == ["origin.json", *resins, "shelf.toml"]
    for name in (*resins, "shelf.toml"):
        assert (state / name).read_bytes() == (etc / name).read_bytes()
    places = load_settings(etc / "bench.toml").places
    assert (places.shelf, places.resins) == (state / "shelf.toml", state / "resins")
    assert said(etc) == []


def test_a_change_beside_the_bench_is_said_until_it_is_taken_over(etc: Path, state: Path) -> None:
    started(etc)
    (etc / "shelf.toml").write_text("# emptied\n")
    (etc / "resins" / "new.toml").write_bytes((etc / "resins" / "slow-clear.toml").read_bytes())
    expected = [
        f"{etc}/shelf.toml: file: is not read, and was changed since {state}/shelf.toml took its place; "
        f"cp {etc}/shelf.toml {state}/shelf.toml, or remove this one",
        f"{etc}/resins/new.toml: file: is not read, and is not in {state}/resins; "
        f"cp {etc}/resins/new.toml {state}/resins/new.toml, or remove this one",
    ]
    assert said(etc) == expected
    assert started(etc) == ()
    assert said(etc) == expected  # the next start says it again
    for name in ("shelf.toml", "resins/new.toml"):
        shutil.copy(etc / name, state / name)
    assert said(etc) == []
    started(etc)
    (state / "shelf.toml").write_text("# emptied, then edited on the page\n")
    assert said(etc) == []  # this change is the copy's own


def test_an_edit_of_the_copy_is_no_change_beside_the_bench_nor_is_a_removal_there(etc: Path, state: Path) -> None:
    started(etc)
    with (state / "shelf.toml").open("a") as file:
        file.write("# edited\n")
    assert said(etc) == []
    (etc / "shelf.toml").unlink()
    shutil.rmtree(etc / "resins")
    assert said(etc) == []
    assert started(etc) == ()


def test_a_shelf_put_there_by_hand_is_not_overwritten_and_the_other_is_named(etc: Path, state: Path) -> None:
    state.mkdir()
    (state / "shelf.toml").write_text("# by hand\n")
    assert len(started(etc)) == 1  # the resins
    assert (state / "shelf.toml").read_text() == "# by hand\n"
    assert [line.partition("; ")[0] for line in said(etc)] == [
        f"{etc}/shelf.toml: file: is not read, and was changed since {state}/shelf.toml took its place"
    ]


def test_without_any_shelf_the_new_one_is_made_in_the_state_directory(etc: Path, state: Path) -> None:
    (etc / "shelf.toml").unlink()
    assert len(started(etc)) == 1
    assert places_of(etc / "bench.toml").shelf == state / "shelf.toml"


def test_a_shelf_given_by_name_is_read_and_never_copied(etc: Path, state: Path) -> None:
    places = places_of(etc / "bench.toml", etc / "shelf.toml")
    move_in(places)
    assert not (state / "shelf.toml").exists()
    assert places_of(etc / "bench.toml", etc / "shelf.toml").shelf == etc / "shelf.toml"


def test_a_bench_that_lies_in_its_state_directory_stays_as_it_is(etc: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setenv("STATE_DIRECTORY", str(etc))
    before = names(etc)
    assert started(etc) == ()
    assert names(etc) == before


def test_without_a_service_the_shelf_lies_beside_the_bench(
    etc: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.delenv("STATE_DIRECTORY")
    monkeypatch.setenv("XDG_STATE_HOME", str(tmp_path / "home"))
    (tmp_path / "home" / "benchd").mkdir(parents=True)
    (tmp_path / "home" / "benchd" / "shelf.toml").write_text("[[mold]]")
    assert started(etc) == ()
    loaded = load_settings(etc / "bench.toml")
    assert (loaded.places.shelf, loaded.places.resins) == (etc / "shelf.toml", etc / "resins")
    assert loaded.journal_path == tmp_path / "home" / "benchd" / "journal.db"


@needs_mounts
@pytest.mark.parametrize("size_kb", some_of([4, 12, 8, 16], 2))
def test_a_full_disk_leaves_the_one_beside_the_bench_in_force_and_says_so(size_kb: int, etc: Path, state: Path) -> None:
    """A tmpfs of so many pages of 4 kB: names take none, each file at least one."""
    state.mkdir()
    script = (
        "import json, sys\nfrom pathlib import Path\n"
        "from benchd.settings.move_in import move_in\nfrom benchd.settings.places import places_of\n"
        "bench, state = map(Path, sys.argv[1:])\n"
        "moved = move_in(places_of(bench))\n"
        "there = {p.relative_to(state).as_posix(): p.read_text() for p in state.rglob('*') if p.is_file()}\n"
        "now = places_of(bench)\n"
        "print(json.dumps([moved.copied, moved.trouble, there, str(now.shelf), str(now.resins)]))\n"
    )
    mounted = f'mount -t tmpfs -o size={size_kb}k none "$2" && exec "$0" -c "$3" "$1" "$2"'
    command = [*APART, "sh", "-c", mounted, sys.executable, str(etc / "bench.toml"), str(state), script]
    done = subprocess.run(command, capture_output=True, text=True, timeout=60, check=True)
    copied, trouble, there, shelf, resins = json.loads(done.stdout)
    assert "No space left on device; make room or rights there, then restart benchd" in trouble
    whole = {name: (etc / name).read_text() for name in names(etc)}
    assert {name: text for name, text in there.items() if name != "origin.json" and whole[name] != text} == {}
    assert not any(name.startswith("resins/") for name in there)
    assert resins == str(etc / "resins")
    has_shelf = "shelf.toml" in there
    assert shelf == str((state if has_shelf else etc) / "shelf.toml")
    assert len(copied) == (1 if has_shelf else 0)
    assert f"{etc}/resins cannot be copied there and can still be read" in trouble


def test_a_start_that_cannot_copy_says_so_in_the_log_and_watches_on(
    etc: Path, state: Path, caplog: pytest.LogCaptureFixture
) -> None:
    state.write_text("a file where the folder should be")
    assert settled(etc / "bench.toml", None).places.shelf == etc / "shelf.toml"
    assert [record.levelname for record in caplog.records] == ["WARNING"]
    both = (
        f"{etc}/shelf.toml and {etc}/resins cannot be copied there and can still be read, but not changed on the page"
    )
    assert caplog.messages == [f"{state}: {both}: File exists; make room or rights there, then restart benchd"]


@pytest.mark.parametrize("call", some_of([3, 9, 15, *(n for n in range(1, 18) if n % 6 != 3)], 2))
def test_a_start_killed_at_any_write_leaves_whole_files_and_the_next_one_finishes(
    call: int, etc: Path, state: Path
) -> None:
    """Ended without a word at its Nth sync, rename or replacement, as by a power cut; 17 are all there are."""
    script = (
        "import os, sys\nfrom pathlib import Path\nleft = int(sys.argv[2])\n"
        "def counted(real):\n"
        "    def call(*given):\n"
        "        global left\n"
        "        left -= 1\n"
        "        if left == 0: os._exit(9)\n"
        "        return real(*given)\n"
        "    return call\n"
        "for name in ('fsync', 'replace', 'rename'): setattr(os, name, counted(getattr(os, name)))\n"
        "from benchd.settings.move_in import move_in\nfrom benchd.settings.places import places_of\n"
        "move_in(places_of(Path(sys.argv[1])))\n"
    )
    command = [sys.executable, "-c", script, str(etc / "bench.toml"), str(call)]
    assert subprocess.run(command, timeout=60, check=False).returncode == 9
    for name in names(state):
        if not name.startswith(".moving-") and name != "origin.json":
            assert (state / name).read_bytes() == (etc / name).read_bytes()
    resins = [name for name in names(state) if name.startswith("resins/")]
    assert len(resins) in (0, 3)
    started(etc)
    assert names(state) == [
        "origin.json",
        *sorted(f"resins/{p.name}" for p in (etc / "resins").iterdir()),
        "shelf.toml",
    ]
    assert said(etc) == []


def test_a_spoilt_record_is_written_again(etc: Path, state: Path) -> None:
    started(etc)
    for spoilt in (b"", b"[", b"[1]", b'{"bench": 1, "seen": {}}', b'{"bench": "x", "seen": {"a": 1}}', b"[" * 100_000):
        (state / "origin.json").write_bytes(spoilt)
        assert origin.read_origin(state) is None
        assert started(etc) == ()
        assert origin.read_origin(state) is not None
    assert said(etc) == []


# ------------------------------------------------------------------------------------- commands started by hand


@pytest.fixture
def by_hand(etc: Path, state: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    """A bench that a service has taken over, and a command without the service's environment; its state directory."""
    started(etc)
    kept = state.with_name("benchd")
    os.rename(state, kept)
    monkeypatch.delenv("STATE_DIRECTORY")
    monkeypatch.setattr("benchd.settings.places.SYSTEM_STATE", state.parent)
    return kept


def test_a_command_finds_the_services_state_directory_by_the_bench(etc: Path, by_hand: Path) -> None:
    loaded = load_settings(etc / "bench.toml")
    assert loaded.journal_path == by_hand / "journal.db"
    assert (loaded.places.shelf, loaded.places.resins) == (by_hand / "shelf.toml", by_hand / "resins")


def test_another_bench_is_none_of_the_services(etc: Path, by_hand: Path, tmp_path: Path) -> None:
    shutil.copytree(etc, tmp_path / "mine")
    assert places_of(tmp_path / "mine" / "bench.toml").shelf == tmp_path / "mine" / "shelf.toml"


def test_a_state_directory_named_as_the_benchs_folder_is_found_too(
    etc: Path, by_hand: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """A second service, for example /etc/north with StateDirectory=north."""
    kept = tmp_path / "var" / etc.name
    kept.parent.mkdir()
    os.rename(by_hand, kept)
    monkeypatch.setattr("benchd.settings.places.SYSTEM_STATE", kept.parent)
    assert places_of(etc / "bench.toml").shelf == kept / "shelf.toml"


def test_a_state_directory_that_is_closed_to_the_user_is_no_silent_way_back(
    etc: Path, by_hand: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Its mode is 0700; root goes through any mode, so the refusal is made here."""

    def closed(folder: Path) -> None:
        raise PermissionError(13, "Permission denied", str(folder))

    monkeypatch.setattr("benchd.settings.places.read_origin", closed)
    assert places_of(etc / "bench.toml").is_service is False  # anyone's own folder: none of the service's business
    monkeypatch.setattr("benchd.settings.places.SYSTEM_CONFIG", etc.parent)
    with pytest.raises(SettingsError, match=r"you may not look there.*run the command with sudo"):
        load_settings(etc / "bench.toml")
