"""Can a crafted backup or journal fill memory or disk?  Bombs, thousands of members, links, odd paths."""

from __future__ import annotations

import bz2
import hashlib
import io
import json
import lzma
import shutil
import sqlite3
import stat
import tracemalloc
import zipfile
import zlib
from collections.abc import Callable, Iterator
from contextlib import closing, contextmanager
from pathlib import Path
from typing import Any

import pytest
from recordings_by_hand import START_T, board_line, context
from some_of import some_of

from benchd import cli
from benchd.core.format.record import from_record
from benchd.errors import JournalError
from benchd.runtime.files.expand import expand
from benchd.runtime.journal import backup_door
from benchd.runtime.journal.backup import JOURNAL, MANIFEST, BackupError, restore
from benchd.runtime.journal.journal import Journal
from benchd.runtime.journal.reader import Logbook
from benchd.runtime.journal.rows import Writes
from benchd.runtime.journal.schema import MIGRATIONS, prepare

MOST_MEMORY_BYTES = 40e6
Members = dict[str, bytes]


@pytest.fixture(scope="module")
def journal(tmp_path_factory: pytest.TempPathFactory) -> bytes:
    path = tmp_path_factory.mktemp("journal") / JOURNAL
    prepare(path, 0)
    with closing(sqlite3.connect(path)) as db:
        db.execute("PRAGMA journal_mode=DELETE")
    return path.read_bytes()


@contextmanager
def in_little_memory() -> Iterator[None]:
    """What happens inside takes no more than a bound."""
    tracemalloc.start()
    yield
    _, peak_bytes = tracemalloc.get_traced_memory()
    tracemalloc.stop()
    assert peak_bytes < MOST_MEMORY_BYTES


def manifest(members: Members, **more: Any) -> bytes:
    """As benchd writes it."""
    sums = {name: hashlib.sha256(data).hexdigest() for name, data in members.items()}
    plain = {"backup": 0, "made": START_T, "version": "0.1.0", "schema": len(MIGRATIONS), "sums": sums}
    return json.dumps(plain | more).encode()


def crafted(path: Path, members: Members, head: bytes | None = None, packing: int = zipfile.ZIP_DEFLATED) -> Path:
    with zipfile.ZipFile(path, "w", packing) as file:
        for name, data in members.items():
            file.writestr(name, data)
        file.writestr(MANIFEST, manifest(members) if head is None else head)
    return path


def refused(path: Path, tmp_path: Path, why: str) -> None:
    """With a reason, and nothing left behind."""
    before = sorted(p.name for p in tmp_path.iterdir())
    with in_little_memory(), pytest.raises(BackupError, match=why):
        restore(path, tmp_path / "again")
    assert sorted(p.name for p in tmp_path.iterdir()) == before


def test_a_backup_as_0_1_0_wrote_it_is_restored(journal: bytes, tmp_path: Path) -> None:
    """Without sizes in its manifest."""
    restore(crafted(tmp_path / "a.zip", {JOURNAL: journal, "config/bench.toml": b"x"}), tmp_path / "again")
    assert (tmp_path / "again" / JOURNAL).read_bytes() == journal


class Zeros(io.RawIOBase):
    """So many zeros, of which only a piece is in memory."""

    def __init__(self, count: int) -> None:
        self.left = count

    def read(self, size: int = -1) -> bytes:
        piece = min(size, self.left)
        self.left -= piece
        return bytes(piece)


@pytest.mark.parametrize("name", some_of([JOURNAL, "config/bench.toml", "state/sheet.json"], 1))
def test_a_member_that_expands_without_bound_is_refused(name: str, journal: bytes, tmp_path: Path) -> None:
    """300 kB that would be 300 MB; nothing of it is written."""
    path = tmp_path / "bomb.zip"
    members = {JOURNAL: journal, name: b""}
    with zipfile.ZipFile(path, "w", zipfile.ZIP_DEFLATED, compresslevel=9) as file:
        for each in members:
            with file.open(each, "w") as out:
                shutil.copyfileobj(Zeros(300_000_000), out, 1 << 20) if each == name else out.write(journal)
        file.writestr(MANIFEST, manifest(members))
    assert path.stat().st_size < 1e6
    refused(path, tmp_path, "would (take|expand)")


def test_what_the_manifest_says_of_a_size_must_hold(journal: bytes, tmp_path: Path) -> None:
    """Each member's, before it is unpacked."""
    members = {JOURNAL: journal, "config/bench.toml": b"x" * 1000}
    head = manifest(members, bytes={JOURNAL: len(journal), "config/bench.toml": 10})
    refused(crafted(tmp_path / "a.zip", members, head), tmp_path, "not as long as its manifest says")


def test_a_size_that_the_directory_lies_about_stops_there(journal: bytes, tmp_path: Path) -> None:
    """The directory says ten bytes, the member holds a million: what is too much is never read."""
    members = {JOURNAL: journal, "config/bench.toml": b"x" * 1_000_000}
    path = crafted(tmp_path / "a.zip", members)
    raw = path.read_bytes()
    true, false = (1_000_000).to_bytes(4, "little"), (10).to_bytes(4, "little")
    assert raw.count(true) == 2
    path.write_bytes(raw.replace(true, false))
    refused(path, tmp_path, "cannot be restored|damaged")


def test_a_disk_without_room_is_told_before_it_is_full(
    journal: bytes, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """With what it takes, what there is, and what to do."""
    path = crafted(tmp_path / "a.zip", {JOURNAL: journal})
    free = shutil.disk_usage(tmp_path)._replace(free=backup_door.SPARE_BYTES + len(journal) // 2)
    monkeypatch.setattr("benchd.runtime.journal.backup_door.shutil.disk_usage", lambda _: free)
    refused(path, tmp_path, "name a folder elsewhere")


def test_thousands_of_members_are_refused(journal: bytes, tmp_path: Path) -> None:
    """Named in the manifest or not."""
    members = {JOURNAL: journal} | {f"config/{n}.toml": b"" for n in range(1500)}
    refused(crafted(tmp_path / "a.zip", members), tmp_path, "holds 1502 files, at most 1000")
    refused(crafted(tmp_path / "b.zip", members, manifest({JOURNAL: journal})), tmp_path, "at most 1000")


def test_a_directory_of_a_million_members_is_not_read(tmp_path: Path) -> None:
    """Its size stands at the end of the file; also where that end is the 64-bit one."""
    entry = b"PK\x01\x02" + bytes(42)
    count = 100_000
    end = b"PK\x05\x06" + bytes(4) + b"\xff" * 4 + (len(entry) * count).to_bytes(4, "little") + bytes(6)
    (tmp_path / "a.zip").write_bytes(entry * count + end)
    refused(tmp_path / "a.zip", tmp_path, "more than any backup")
    at = len(entry) * count
    end_64 = b"PK\x06\x06" + (44).to_bytes(8, "little") + bytes(12) + count.to_bytes(8, "little") * 2
    end_64 += at.to_bytes(8, "little") + bytes(8)
    locator = b"PK\x06\x07" + bytes(4) + at.to_bytes(8, "little") + (1).to_bytes(4, "little")
    end = b"PK\x05\x06" + bytes(4) + b"\xff" * 12 + bytes(2)
    (tmp_path / "b.zip").write_bytes(entry * count + end_64 + locator + end)
    refused(tmp_path / "b.zip", tmp_path, "more than any backup")


def test_members_the_manifest_does_not_name_are_refused(journal: bytes, tmp_path: Path) -> None:
    """What nobody vouches for does not come along."""
    members = {JOURNAL: journal, "config/extra.toml": b"x"}
    refused(crafted(tmp_path / "a.zip", members, manifest({JOURNAL: journal})), tmp_path, "its manifest names")
    refused(crafted(tmp_path / "b.zip", {JOURNAL: journal}, manifest(members)), tmp_path, "its manifest names")


@pytest.mark.filterwarnings("ignore:Duplicate name")
def test_a_member_named_twice_is_refused(journal: bytes, tmp_path: Path) -> None:
    """Of two journals, which one?"""
    path = crafted(tmp_path / "a.zip", {JOURNAL: journal})
    with zipfile.ZipFile(path, "a") as file:
        file.writestr(JOURNAL, b"another")
    refused(path, tmp_path, "its manifest names")


@pytest.mark.parametrize("kind", [stat.S_IFLNK, stat.S_IFDIR, stat.S_IFIFO, stat.S_IFCHR, stat.S_IFSOCK])
def test_what_is_no_plain_file_is_refused(kind: int, journal: bytes, tmp_path: Path) -> None:
    """A link out of the folder, a device, a pipe."""
    path, members = tmp_path / "a.zip", {JOURNAL: journal, "config/bench.toml": b"/etc/passwd"}
    with zipfile.ZipFile(path, "w") as file:
        for name, data in members.items():
            info = zipfile.ZipInfo(name)
            info.external_attr = ((kind if name != JOURNAL else stat.S_IFREG) | 0o644) << 16
            file.writestr(info, data)
        file.writestr(MANIFEST, manifest(members))
    refused(path, tmp_path, "no plain file")


@pytest.mark.parametrize("name", ["config/../../x", "/config/x", "config\\..\\x", "config//x", "other/x", "config/"])
def test_a_path_out_of_the_folder_is_refused(name: str, journal: bytes, tmp_path: Path) -> None:
    """Also one that is only written oddly."""
    refused(crafted(tmp_path / "a.zip", {JOURNAL: journal, name: b""}), tmp_path, "odd name|no plain file")


@pytest.mark.parametrize("packing", [zipfile.ZIP_BZIP2, zipfile.ZIP_LZMA])
def test_a_packing_that_has_no_bound_is_refused(packing: int, journal: bytes, tmp_path: Path) -> None:
    """Python's reader unpacks these in whatever pieces they come."""
    refused(crafted(tmp_path / "a.zip", {JOURNAL: journal}, packing=packing), tmp_path, "packed in another way")


def test_a_locked_member_is_refused(journal: bytes, tmp_path: Path) -> None:
    """A password is asked for nowhere."""
    path = crafted(tmp_path / "a.zip", {JOURNAL: journal})
    raw = bytearray(path.read_bytes())
    at = raw.index(b"PK\x01\x02")
    raw[at + 8] |= 1
    path.write_bytes(raw)
    refused(path, tmp_path, "packed in another way")


ODD_HEADS = [
    b"[" * 100_000, b"[]", b"{}", b'{"backup": 0, "made": 1e400, "version": "x", "schema": 1, "sums": {}}', b"\xff",
    b'{"backup": 0, "made": 1, "version": "x", "schema": 1e400, "sums": {}}', b"{" + b" " * 5_000_000 + b"}",
    b'{"backup": 0, "made": 1, "version": "x", "schema": 1, "sums": {}, "bytes": []}',
]  # fmt: skip


@pytest.mark.parametrize("head", ODD_HEADS, ids=lambda h: repr(h[:50]))
def test_an_odd_manifest_is_refused(head: bytes, tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """Nested, empty, with numbers beyond a double: the command says so and ends."""
    path = crafted(tmp_path / "a.zip", {}, head)
    assert cli.main(["restore", str(path), "--to", str(tmp_path / "again")]) == 1
    assert "not a backup of benchd" in capsys.readouterr().err


@pytest.mark.parametrize("pack", [lzma.compress, bz2.compress, zlib.compress, bytes], ids=["xz", "bz2", "zlib", "raw"])
def test_what_is_no_zip_is_refused_unread(pack: Callable[[bytes], bytes], tmp_path: Path) -> None:
    """Whatever it would expand to."""
    (tmp_path / "a.zip").write_bytes(pack(bytes(1_000_000)))
    refused(tmp_path / "a.zip", tmp_path, "not a backup")


def test_a_damaged_or_cut_backup_never_crashes(journal: bytes, tmp_path: Path) -> None:
    """Each hundredth byte changed, each length cut: a reason, or the very same files."""
    whole = crafted(tmp_path / "a.zip", {JOURNAL: journal, "config/bench.toml": b"x"}).read_bytes()
    path, to = tmp_path / "b.zip", tmp_path / "again"
    for at in range(0, len(whole), max(1, len(whole) // 150)):
        for data in (whole[:at], whole[:at] + bytes([whole[at] ^ 0xFF]) + whole[at + 1 :]):
            path.write_bytes(data)
            try:
                restore(path, to)
            except BackupError:
                assert not to.exists()
            else:
                assert (to / JOURNAL).read_bytes() == journal
                shutil.rmtree(to)


# ------------------------------------------------------------------------------------------------- what zlib packed


def test_nothing_expands_beyond_its_bound() -> None:
    """What fits comes back, one byte more is refused with the bound in the reason."""
    assert expand(zlib.compress(b"x" * 100), 100, "block") == b"x" * 100
    assert expand(zlib.compress(b""), 100, "block") == b""
    for packed, why in [
        (zlib.compress(b"x" * 101), "more than 100 bytes"), (bomb(100_000_000), "more than 100"),
        (zlib.compress(b"x" * 50)[:-4], "end is missing"), (b"", "end is missing"), (b"no zlib", "damaged block"),
    ]:  # fmt: skip
        with in_little_memory(), pytest.raises(ValueError, match=why):
            expand(packed, 100, "block")


def bomb(size_bytes: int) -> bytes:
    packer = zlib.compressobj(9)
    pieces = [packer.compress(bytes(1_000_000)) for _ in range(size_bytes // 1_000_000)]
    return b"".join([*pieces, packer.flush()])


async def with_journal(path: Path) -> None:
    writes = Writes()
    for seq, line in enumerate([context(), board_line(START_T + 1, 1, 0.0), board_line(START_T + 2, 2, 0.0)], 1):
        writes.add_input(seq, from_record(json.loads(line)))
    async with Journal(path) as journal:
        await journal.write(writes)


async def test_a_bomb_in_a_journal_hides_nothing_else(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """A context and a block of 400 kB that would be 400 MB read as gaps, the lines between them as ever."""
    monkeypatch.setattr("benchd.runtime.journal.packed_lines.MOST_BLOCK_BYTES", 10_000_000)
    monkeypatch.setattr("benchd.runtime.journal.reader.MOST_CONTEXT_BYTES", 10_000_000)
    path, packed = tmp_path / "journal.db", bomb(400_000_000)
    await with_journal(path)
    with closing(sqlite3.connect(path)) as db, db:
        db.execute("UPDATE contexts SET body = ?", (packed,))
        columns = "first_seq, last_seq, first_t, last_t, count, body"
        db.execute(f"INSERT INTO blocks ({columns}) VALUES (4, 9, 1, 2, 6, ?)", (packed,))
    async with Journal(path, read_only=True) as journal:
        book = Logbook(journal)
        with in_little_memory():
            read = [type(item).__name__ async for _, item in book.inputs()]
        assert read == ["Gap", "Line", "Line", "Gap"]
        with pytest.raises(JournalError, match=r"the context of input 1 cannot be read.*more than 10000000 bytes"):
            await book.standing(9)


@pytest.mark.parametrize(
    "head",
    ["{}", "[]", "null", '{"sources": 1}', '{"sources":[],"seq":[1],"t":[1],"exact_t":{},"of":[5],"lengths":null}'],
)  # fmt: skip
async def test_a_block_of_another_shape_is_a_gap(head: str, tmp_path: Path) -> None:
    """Whatever its heading holds."""
    path = tmp_path / "journal.db"
    await with_journal(path)
    with closing(sqlite3.connect(path)) as db, db:
        columns = "first_seq, last_seq, first_t, last_t, count, body"
        db.execute(f"INSERT INTO blocks ({columns}) VALUES (4, 9, 1, 2, 6, ?)", (zlib.compress(f"{head}\nx".encode()),))
    async with Journal(path, read_only=True) as journal:
        read = [type(item).__name__ async for _, item in Logbook(journal).inputs()]
    assert read == ["Context", "Line", "Line", "Gap"]
