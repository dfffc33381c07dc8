"""What a new user gets wrong, in one table: what was typed, the words of the answer, the exit code.

Each row has the input, what names the place (file and key, or option), what is wrong, what to write instead.  An answer
that names no remedy, or a traceback, fails.  What is wrong in a file is tried through a command that reads it.
"""

from __future__ import annotations

import asyncio
import json
import os
import re
import shlex
import shutil
import socket
from pathlib import Path

import pytest
from asgi_ask import ask

from benchd import cli
from benchd.app.page_port import page_socket
from benchd.errors import OutletError, SourceError
from benchd.page.api import Api
from benchd.plugins import load_settings
from benchd.runtime.bulletin import Bulletin
from benchd.runtime.clock import BenchClock
from benchd.runtime.contracts import Health
from benchd.runtime.files.private_file import read_private
from benchd.runtime.http import local_client
from benchd.runtime.journal.journal import Journal
from benchd.runtime.mqtt.marks import MarkIntake, Refusal
from benchd.runtime.shelf_desk import ShelfEdit, ShelfRefused
from benchd.settings import PageAddress
from benchd.settings.edits import EditError, read_toml
from benchd.settings.shelf_form import ShelfForm

ROOT = Path(__file__).parents[1]

# (typed, place, problem, remedy, exit code)
TYPED = [
    ("chek", "command", '"chek"', 'did you mean "check"?', 2),
    ("log --folow", "option or word", "--folow", 'did you mean "--follow"?', 2),
    ("log --since soon", "--since", '"soon" is not a time', '"09:40"', 2),
    ("log --since 9.40", "--since", '"9.40" is not a time', '"09:40"', 2),
    ("log --since '2 psi ago'", "--since", '"psi" is no unit of time', "3 min", 2),
    ("log --only word", "--only", "write one or more of", "marks, findings, alerts, words", 2),
    ("log --load 9", "load", 'no load "9"', "none is on record", 1),
    ("log --journal nowhere.db", "nowhere.db", "no journal there", "`benchd run` writes one", 1),
    ("why pot-leak", "alert", '"pot-leak"', 'did you mean "pot-leaking-fast"?', 1),
    ("report lood", "report kind", '"lood"', 'did you mean "load"?', 2),
    ("report mold M99", "mold", '"M99"', "known: M01, M02", 1),
    ("report mold M01,M02", "M01,M02", "are several", "report mold M01", 1),
    ("report lot R07", "lot", '"R07"', 'did you mean "R-07"?', 1),
    ("report day 5.1.2026", "day", '"5.1.2026"', "2026-01-05", 1),
    ("report part M99", "part", '"M99"', "MOLD@POUR", 1),
    ("report leaks kettle", "pot", '"kettle"', "known: barrel", 1),
    ("report day today --html nowhere/day.html", "nowhere/day.html", "there is no folder", "make it first", 1),
    ("mark demoldd M02", "mark", '"demoldd"', 'did you mean "demolded"?', 2),
    ("mark demolded M02 hrad", "feel, grade or cause", '"hrad"', 'did you mean "hard"?', 2),
    ("mark demolded M02 hard green", "feel", "both", "leave one out", 2),
    ("mark mix a_g=heavy", "a_g", '"heavy" is not a mass', '"25 g"', 2),
    ("mark mix a_g=159,5", "a_g", "it has a comma", 'write "159.5"', 2),
    ("mark mix a_q=159", "key", '"a_q"', 'did you mean "a_g"?', 2),
    ("mark poured M02", "benchd.sock", "benchd is not running", "start it with: benchd run", 1),
    ("amounts", "MOLD", "is missing", "example: benchd amounts", 2),
    ("amounts M2", "mold", '"M2"', 'did you mean "M02"?', 1),
    ("amounts M01 --lot R07", "lot", '"R07"', 'did you mean "R-07"?', 1),
    ("amounts M01 --cup 70", "--cup", "70 has no unit", 'write "70 mm"', 1),
    ("amounts M01 --cup '70 psi'", "--cup", '"psi" is no unit of length', '"12 mm"', 1),
    ("plan M1", "mold", '"M1"', 'did you mean "M01"?', 1),
    ("plan M02x0", "M02x0", "ask for", "1 to 24 casts", 1),
    ("plan M01 --temp '21 psi'", "--temp", '"psi" is no unit of temperature', '"23 C"', 2),
    ("plan --keep", "--keep", "needs molds", "benchd plan M01 M02 --keep", 2),
    ("demo --scenario crep", "scenario", "no such scenario", 'did you mean "creep"?', 78),
    ("demo --speed fast", "--speed", '"fast" is not a number', "example: benchd demo", 2),
    ("run --rate 0", "--rate", "must be above zero", "--rate 20", 2),
    ("calibrate barrel-presure zero", "channel", '"barrel-presure"', 'did you mean "barrel-pressure"?', 1),
    ("calibrate barrel-pressure nought --value '1 psi'", "nought", "is not a pressure", "ice or boil or zero", 1),
    ("export csvv", "export form", '"csvv"', 'did you mean "csv"?', 2),
    ("export csv -o nowhere/x.csv", "nowhere/x.csv", "there is no folder", "make it first", 1),
    ("import config/shelf.toml", "config/shelf.toml", "not a recording", "`benchd export recording`", 3),
    ("replay nothing.jsonl", "nothing.jsonl", "No such file", "`benchd export recording`", 3),
    ("backup nowhere/x.zip", "nowhere/x.zip", "there is no folder", "make it first", 1),
    ("restore nothing.zip --to out", "nothing.zip", "no such file", "`benchd backup`", 1),
    ("leaktest kettle", "pot", '"kettle"', "known: barrel", 78),
    ("learn fast-whit", "resin", '"fast-whit"', 'did you mean "fast-white"?', 1),
    ("shelf add mould M09", "shelf kind", '"mould"', 'did you mean "mold"?', 2),
    ("shelf change mold M99 wall_mm=12", "shelf.toml", 'no mold "M99"', "known: M01", 1),
    ("shelf change mold M02 wal_mm=12", "mold", 'no key "wal_mm"', 'did you mean "wall_mm"?', 1),
    ("shelf change mold M02 wall_mm=thick", "wall_mm", '"thick" is not a length', '"12 mm"', 78),
    ("amounts M01 -c no/bench.toml", "no/bench.toml", "cannot be read", "`benchd init FOLDER` begins one", 78),
    ("check -c nothing.toml", "nothing.toml", "cannot be read", "give the path of another", 78),
]

# (file, text replaced, text instead, place, problem, remedy): tried as `benchd amounts M01`, exit code 78
SPOILED = [
    ("bench.toml", 'volume = "16.5 l"', "volume = 16.5", "pot.barrel.volume", "16.5 has no unit", '"16.5 l"'),
    ("bench.toml", 'volume = "16.5 l"', 'volume = "4 galons"', "pot.barrel.volume", '"galons" is no unit', "or gal"),
    ("bench.toml", 'target = "42 psi"', 'target = "42,5 psi"', "pot.barrel.target", "comma", 'write "42.5 psi"'),
    ("bench.toml", "[pot.barrel]", "[pott.barrel]", "pott", "no such table", 'did you mean "pot"?'),
    ("shelf.toml", "cavity_ml = 28", 'cavity_ml = "28 psi"', "cavity_ml", '"psi" is no unit of volume', "16.5 l"),
    ("shelf.toml", "cavity_ml = 28", "cavity = 28", "cavity", "no such key", 'did you mean "cavity_ml"?'),
    ("shelf.toml", "opened = 2025-12-30", 'opened = "30 Dec"', "opened", '"30 Dec" is not a date', "2026-01-05"),
    ("shelf.toml", "opened = 2025-12-30", "opened = 30.12.2025", "line", "shelf.toml", "quote"),
    ("resins/fast-white.toml", 'pot_life = "3 min"', 'pot_life = "3 mins."', "pot_life", "no unit of time", '"3 min"'),
    ("resins/fast-white.toml", 'ratio_volume = "1:1"', 'ratio_volume = "1"', "ratio_volume", "not a ratio", "100:90"),
]

# (body sent, words of the answer): the page's own door and the broker's
SENT = [
    (b"mix", ("not JSON",)),
    (b"[]", ("not a JSON object",)),
    (b'{"verb": "mix", "a_q": 159}', ("a_q", 'did you mean "a_g"?')),
    (b'{"verb": "mix", "a_g": "159 psi"}', ("a_g", '"psi" is no unit of mass', '"25 g"')),
    (b'{"verb": "mix", "molds": "M02"}', ("molds", "must be a list")),
    (b'{"verb": "mix", "text": "a\\u001b[2J"}', ("text", "control character", "leave it out")),
]


@pytest.fixture
def home(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    """The invented studio's files with an empty journal beside them, no daemon, and an empty home."""
    shutil.copytree(ROOT / "config", tmp_path / "config")
    bench = tmp_path / "config" / "bench.toml"
    bench.write_text(f"{bench.read_text('utf-8')}\n[journal]\npath = {json.dumps(str(tmp_path / 'j.db'))}\n", "utf-8")
    monkeypatch.setenv("RUNTIME_DIRECTORY", str(tmp_path / "run"))
    monkeypatch.setenv("XDG_STATE_HOME", str(tmp_path / "state"))
    monkeypatch.setattr(local_client, "SYSTEM_SOCKET", tmp_path / "none")
    monkeypatch.chdir(tmp_path)
    return tmp_path


def answered(words: str, capsys: pytest.CaptureFixture[str]) -> tuple[int, str]:
    """The exit code and what is said on standard error, in one line; nothing ends in a traceback."""
    try:
        code = cli.main(shlex.split(words))
    except SystemExit as ended:
        code = int(ended.code or 0)  # a text here would be an exit code of 1 that no table has
    said = " ".join(capsys.readouterr().err.split())
    assert "Traceback" not in said
    assert not re.search(r"\[Errno|\bNone\b|Error\(|<class", said)
    return code, said


@pytest.mark.parametrize(("typed", "place", "problem", "remedy", "code"), TYPED)
async def test_what_is_typed_wrong(
    typed: str, place: str, problem: str, remedy: str, code: int, home: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    async with Journal(home / "j.db"):
        pass
    got, said = await asyncio.to_thread(answered, typed, capsys)
    assert got == code, said
    for words in (place, problem, remedy):
        assert words in said


@pytest.mark.parametrize(("file", "old", "new", "place", "problem", "remedy"), SPOILED)
def test_what_is_written_wrong(
    file: str, old: str, new: str, place: str, problem: str, remedy: str, home: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    path = home / "config" / file
    text = path.read_text("utf-8")
    assert old in text
    path.write_text(text.replace(old, new, 1), "utf-8")
    code, said = answered("amounts M01", capsys)
    assert code == 78, said
    for words in (path.name, place, problem, remedy):
        assert words in said
    assert re.search(rf"{re.escape(path.name)}:\d+: ", said)


@pytest.mark.parametrize("file", ["bench.toml", "shelf.toml", "resins/fast-white.toml", "resins/x.toml"])
@pytest.mark.parametrize("what", ["a pipe", "a folder", "a device"])
def test_what_is_no_file_is_refused_at_once(
    file: str, what: str, home: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """A pipe in a file's place held up the start for good: nobody writes into it."""
    path = home / "config" / file
    path.unlink(missing_ok=True)
    {"a pipe": os.mkfifo, "a folder": os.mkdir, "a device": lambda p: os.symlink("/dev/zero", p)}[what](path)
    code, said = answered("amounts M01", capsys)
    assert code == 78
    assert f"{path.name}: file: is {what}, not a file; put the file itself in its place" in said


def test_an_edit_of_what_is_no_file_is_refused_at_once(home: Path) -> None:
    """The shelf's file may be replaced while the bench runs."""
    os.mkfifo(home / "pipe.toml")
    with pytest.raises(EditError, match=r"pipe\.toml: is a pipe, not a file; put the file itself in its place"):
        read_toml(home / "pipe.toml")


def test_a_password_file_that_is_a_pipe_is_refused_at_once(home: Path) -> None:
    os.mkfifo(home / "pipe", 0o600)
    with pytest.raises(OutletError, match="pipe is a pipe, not a file; put the file itself in its place"):
        read_private(home / "pipe", "mqtt.password_file")


@pytest.mark.parametrize(("body", "words"), SENT)
async def test_what_a_script_sends_wrong(body: bytes, words: tuple[str, ...]) -> None:
    api = Api(BenchClock(), Bulletin(), Health(), lambda mark: None, dict, lambda: 0.0)
    got = await ask(api.app(), "POST", "/api/v0/marks", {"content-type": "application/json"}, body)
    assert got.status == 400
    taken = MarkIntake(lambda: 1_767_607_331.0, "north", "b1").take("mix", body)
    assert isinstance(taken, Refusal)
    for word in words:
        assert word in json.loads(got.body)["why"]
        assert word in taken.why


@pytest.mark.parametrize(
    ("keys", "key", "words"),
    [
        ({"cavity_ml": "28 psi"}, "cavity_ml", '"psi" is no unit of volume'),
        ({"cavity_ml": "-1"}, "cavity_ml", "greater than 0"), ({"made": "5.1.2026"}, "made", "2026-01-05"),
        ({"wal_mm": "12"}, "wal_mm", 'did you mean "wall_mm"?'), ({"pull": "gren"}, "pull", 'did you mean "green"?'),
    ],
)  # fmt: skip
def test_what_is_typed_wrong_into_the_pages_form(keys: dict[str, str], key: str, words: str, home: Path) -> None:
    form = ShelfForm(home / "config" / "shelf.toml", lambda new: load_settings(home / "config" / "bench.toml", new))
    edit = ShelfEdit(action="change", kind="mold", code="M02", digest=form.read()["digest"], keys=keys)
    with pytest.raises(ShelfRefused) as caught:
        form.write(edit)
    assert [(where, words in why) for where, why in caught.value.errors] == [(key, True)]


def test_a_used_port_names_the_file_and_the_key(home: Path, capsys: pytest.CaptureFixture[str]) -> None:
    with socket.create_server(("127.0.0.1", 0)) as taken:
        port = taken.getsockname()[1]
        with pytest.raises(SourceError) as caught:
            page_socket(PageAddress("127.0.0.1", port), home / "config" / "bench.toml")
    said = str(caught.value)
    assert said.startswith(f"{home}/config/bench.toml: page.listen: 127.0.0.1:{port} is used by another program")
    assert f'write another, as listen = "127.0.0.1:{port + 1}"' in said


def test_sixty_and_more_are_in_the_table() -> None:
    assert len(TYPED) + len(SPOILED) + len(SENT) >= 60
