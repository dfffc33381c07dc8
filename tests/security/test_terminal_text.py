"""Does text from outside command a terminal?  Names, notes, words and recordings, through every command that prints."""

from __future__ import annotations

import ast
import asyncio
import json
from dataclasses import replace
from pathlib import Path

import pytest
from recordings_by_hand import BENCH, START_T, context, fill_and_vent, write

from benchd import cli
from benchd.core.engine import Engine
from benchd.core.findings import BenchNotice, Finding, PourStarted
from benchd.core.format.plain_text import json_text, printable, unprintable_in
from benchd.core.format.record import from_record
from benchd.core.model import Alert, Mark, MarkAnswer, Subject, Utterance
from benchd.plugins import watcher_plan
from benchd.runtime.journal.journal import Journal
from benchd.runtime.journal.rows import Writes
from benchd.runtime.printing.terminal import Painted, painted, say

REPOSITORY = Path(__file__).parents[2]
# ECMA-48: ESC [ 2 J clears, ESC ] 0 ; names the window, 0x9B is CSI; UAX 9: U+202E turns the line round
COMMANDS = ("\x1b[2J", "\x1b]0;owned\x07", "\x9b31m", "\x08\x08", "\r", "\n", "\x7f", "\x85")
ORDERS = ("\u202a", "\u202b", "\u202c", "\u202d", "\u202e", "\u2066", "\u2067", "\u2068", "\u2069", "\u2028", "\u2029")
NASTY = "Keeper" + "".join(COMMANDS) + "".join(ORDERS) + "arms"
NAUGHTY = replace(BENCH, name=NASTY, pots=(replace(BENCH.pots[0], name=NASTY),))


def is_harmless(text: str) -> bool:
    """Line by line nothing that commands a terminal or turns a line round."""
    signs = {sign for sign in text if sign != "\n"}
    return not any(ord(s) < 0x20 or 0x7F <= ord(s) < 0xA0 for s in signs) and not signs & set(ORDERS)


async def journalled(path: Path) -> None:
    """A load, a pour, notes and words, all with hostile text, as a journal may hold them."""
    writes, engine, number = Writes(), Engine(watcher_plan), 0
    items = [from_record(json.loads(line)) for line in [context(bench=NAUGHTY), *fill_and_vent()]]
    items.insert(5, Mark(t=items[4].t, verb="note", id="m1", by=NASTY, text=NASTY))
    pour = Subject(bench="north", pot="barrel", cup="cup-1", pour=f"cup-1-{NASTY}", mold=NASTY)
    forged: list[Finding | Utterance | Alert | MarkAnswer] = [
        PourStarted(t=START_T + 3, subject=pour, mix_t=START_T + 3, lot=NASTY, molds=(NASTY,), inferred=False,
                    number=1, assumed=NASTY),
        BenchNotice(t=START_T + 4, subject=Subject(bench="north"), what="lines", why=NASTY, count=3),
        MarkAnswer(t=START_T + 5, id=NASTY, verb=NASTY, ok=False, why=NASTY),
    ]  # fmt: skip
    for seq, item in enumerate(items, 1):
        writes.add_input(seq, item)
        told = [e for e in engine.step(item) if isinstance(e, Finding | Alert | Utterance | MarkAnswer)]
        for effect in [*told, *(forged if seq == 4 else ())]:
            number += 1
            writes.add_effect(number, seq, effect)
    async with Journal(path) as journal:
        await journal.write(writes)


@pytest.fixture(scope="module")
def journal(tmp_path_factory: pytest.TempPathFactory) -> Path:
    path = tmp_path_factory.mktemp("nasty") / "journal.db"
    asyncio.run(journalled(path))
    return path


LISTINGS = [
    ("report", "day", "2026-01-05"), ("report", "load", "last"), ("report", "pour", "last"), ("report", "scrap"),
    ("report", "leaks", "barrel"), ("report", "shopping"), ("log",), ("why", "at-pressure"), ("why", "unchecked-lines"),
]  # fmt: skip


@pytest.mark.parametrize("words", LISTINGS, ids=" ".join)
def test_what_a_journal_holds_commands_no_terminal(
    words: tuple[str, ...], journal: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """Whatever names and notes a journal holds, the text printed of it holds no control and no override."""
    config = [] if words[0] == "report" else ["-c", "/nonexistent/bench.toml"]
    cli.main([*words, "--journal", str(journal), *config])
    told = capsys.readouterr()
    assert told.out + told.err
    assert is_harmless(told.out)
    assert is_harmless(told.err)


@pytest.mark.parametrize("form", ["recording", "csv"])
def test_an_export_to_a_terminal_commands_nothing(form: str, journal: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """A recording keeps every sign, as an escape where a terminal would obey it."""
    assert cli.main(["export", form, "--journal", str(journal), "-c", "/nonexistent/bench.toml"]) == 0
    out = capsys.readouterr().out
    assert is_harmless(out)
    if form == "recording":
        notes = [mark["text"] for line in out.splitlines() if (mark := json.loads(line).get("mark"))]
        assert notes == [NASTY]


def test_a_report_as_json_or_page_turns_no_line_round(
    journal: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """JSON keeps every sign as an escape; the page holds none of them."""
    assert cli.main(["report", "day", "2026-01-05", "--json", "--journal", str(journal)]) == 0
    out = capsys.readouterr().out
    assert is_harmless(out)
    page = tmp_path / "day.html"
    for kind in ("day", "load"):
        which = "2026-01-05" if kind == "day" else "last"
        assert cli.main(["report", kind, which, "--html", str(page), "--journal", str(journal)]) == 0
        assert is_harmless(page.read_text("utf-8"))


def test_replay_keeps_text_whole_and_harmless(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """A recording with a hostile name: replay's JSON reads back as it was, and complaints show none of it."""
    status = {"t": START_T + 2, "status": {"source": "board", "up": False, "why": NASTY}}
    path = write(tmp_path / "a.jsonl", [context(), json.dumps(status), '{"t": "\x1b[2J"}', f'{{"mark": "{NASTY}'])
    assert cli.main(["replay", str(path)]) == 0
    told = capsys.readouterr()
    assert is_harmless(told.out)
    assert is_harmless(told.err)
    whys = [json.loads(line).get("why") for line in told.out.splitlines()]
    assert f"board: {NASTY}" in whys


def test_a_complaint_about_a_hostile_file_name_commands_nothing(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """A file's name, and bytes in it that are no text, come out as plain text."""
    for name in ("\x1b[2J\u202e.jsonl", "\udcff.jsonl"):
        assert cli.main(["replay", str(tmp_path / name)]) != 0
        assert is_harmless(capsys.readouterr().err)


def test_every_hostile_sign_becomes_one_space() -> None:
    """Control signs by ECMA-48 and overrides by UAX 9; letters, joiners and emoji stay."""
    for sign in [*map(chr, range(0x20)), *map(chr, range(0x7F, 0xA0)), *ORDERS, "\ud800", "\udfff"]:
        assert printable(f"a{sign}b") == "a b"
        assert unprintable_in(f"a{sign}b") == f"U+{ord(sign):04X}"
        assert json.loads(json_text([sign])) == [sign]
        assert is_harmless(json_text([sign]))
    for kept in ("Zoë, naïve", "\U0001f469\u200d\U0001f527", "ש\u200fלום", "a\u00a0b", "\u4f60"):
        assert printable(kept) == kept
        assert unprintable_in(kept) is None


def test_a_colour_lost_on_the_way_is_not_passed_on(capsys: pytest.CaptureFixture[str]) -> None:
    """Only a line painted here keeps its colour: joined to other text it is plain."""
    line = painted("a\x1b[8mb", "\x1b[33m", before="\u202e")
    say(line, f"{line}!")
    assert isinstance(line, Painted)
    assert capsys.readouterr().out == " \x1b[33ma [8mb\x1b[0m\n  [33ma [8mb [0m!\n"


# ------------------------------------------------------------------------------------------------- no other way out

STREAMS = {"stdout", "stderr", "__stdout__", "__stderr__"}
ASKED = {"isatty", "flush", "fileno"}  # what may be asked of a stream without printing on it
HANDED_ON = {"logging_to", "is_colored", "Screen"}  # the log's own lines, and this file's own way out
OWN_FILES = {("calibrate_history.py", "file"), ("init.py", "out"), ("export.py", "self._out"), ("export.py", "writer")}


def ways_out(name: str, source: str) -> list[str]:
    """Everything in a file that may print past benchd/runtime/printing/terminal.py."""
    found: list[str] = []
    tree = ast.parse(source)
    parents = {child: node for node in ast.walk(tree) for child in ast.iter_child_nodes(node)}
    for node in ast.walk(tree):
        if isinstance(node, ast.Name) and node.id in ("print", "input"):
            found.append(f"{name}:{node.lineno}: {node.id}")
        if isinstance(node, ast.ImportFrom) and node.module in ("sys", "os"):
            found += [f"{name}:{node.lineno}: {a.name}" for a in node.names if a.name in STREAMS | {"write"}]
        if isinstance(node, ast.Attribute) and node.attr in STREAMS and not _is_asked(node, parents):
            found.append(f"{name}:{node.lineno}: {node.attr}")
        if isinstance(node, ast.Attribute) and node.attr in ("write", "writelines"):
            of = ast.unparse(node.value)
            if (name, of) not in OWN_FILES and of != "Printed()":
                found.append(f"{name}:{node.lineno}: {of}.{node.attr}")
        if isinstance(node, ast.Constant) and isinstance(node.value, str) and "\x1b" in node.value:
            found.append(f"{name}:{node.lineno}: an escape sequence of its own")
        if isinstance(node, ast.Attribute) and node.attr == "escape" and ast.unparse(node.value) == "html":
            found += [f"{name}:{node.lineno}: html.escape"] if name != "markup.py" else []
    return found


def _is_asked(node: ast.Attribute, parents: dict[ast.AST, ast.AST]) -> bool:
    parent = parents[node]
    if isinstance(parent, ast.Attribute):
        return parent.attr in ASKED
    return isinstance(parent, ast.Call) and ast.unparse(parent.func) in HANDED_ON


PRINTING = [
    *(REPOSITORY / "benchd" / "commands").glob("*.py"), *(REPOSITORY / "benchd" / "reports").glob("*.py"),
    REPOSITORY / "benchd" / "cli.py",
]  # fmt: skip


@pytest.mark.parametrize("path", sorted(PRINTING), ids=lambda p: f"{p.parent.name}/{p.name}")
def test_a_command_prints_through_the_one_way_out(path: Path) -> None:
    """No bare print, no stream written to, no escape sequence: what prints is in runtime/printing/terminal.py."""
    assert ways_out(path.name, path.read_text("utf-8")) == []


@pytest.mark.parametrize(
    "source",
    [
        "print(x)", "p = print", "import sys\nsys.stdout.write(x)", "import sys\nout = sys.stderr", "input(x)",
        "from sys import stdout", "import sys\nf(sys.stdout)", "x.write(y)", "say('\\x1b[1m')",
        "import html\nhtml.escape(x)", "from os import write",
    ],
)  # fmt: skip
def test_a_planted_way_out_is_found(source: str) -> None:
    """The check itself finds what it is there for."""
    assert ways_out("planted.py", source)
