"""Checks that the papers say what the code does, and that what they name is there."""

from __future__ import annotations

import argparse
import re
import shlex
import tomllib
from pathlib import Path

import pytest

from benchd import __version__
from benchd.cli import _parser
from benchd.commands.mark import mark_bodies
from benchd.commands.schema.papers import TABLES, filled
from benchd.runtime.journal.schema import MIGRATIONS

ROOT = Path(__file__).parents[1]
DEVELOPERS = (ROOT / "DEVELOPERS.md").read_text("utf-8")
README = (ROOT / "README.md").read_text("utf-8")
DECISIONS = (ROOT / "benchd" / "DECISIONS.md").read_text("utf-8")
DOORS = (ROOT / "tests" / "security" / "README.md").read_text("utf-8")
CARDS = (ROOT / "tests" / "accuracy" / "README.md").read_text("utf-8")
GUIDE_BYTES = 12_000  # what a newcomer reads in one go
NAMED_IN_WORDS = ("benchd/app/", "benchd/core/bench/", "benchd/runtime/")  # a module's name, or by the folders within
PAPERS = (
    *(path.relative_to(ROOT).as_posix() for path in ROOT.glob("*.md")),
    *(
        path.relative_to(ROOT).as_posix()
        for folder in ("benchd", "config", "firmware_examples", "tests")
        for path in (ROOT / folder).rglob("*.md")
    ),
)


@pytest.mark.parametrize("name", TABLES)
def test_generated_tables_are_those_of_the_code(name: str) -> None:
    """Each is in one paper beside its code; `.ci/papers` writes them again."""
    texts = [path.read_text("utf-8") for path in (ROOT / "benchd").rglob("*.md")]
    found = [re.search(rf"<!-- {name} -->\n(.*?)\n<!-- end -->", text, re.DOTALL) for text in texts]
    tables = [match.group(1).strip() for match in found if match is not None]
    assert tables == [TABLES[name]().strip()]


def test_the_papers_command_writes_an_outdated_table_again() -> None:
    stale = "above\n<!-- words -->\n| P | old |\n<!-- end -->\nbelow\n"
    assert TABLES["words"]() in filled(stale)
    assert "| old |" not in filled(stale)
    assert filled(stale).startswith("above\n")
    assert filled(stale).endswith("\nbelow\n")


def test_the_developers_guide_stays_short() -> None:
    assert len(DEVELOPERS.encode()) <= GUIDE_BYTES


@pytest.mark.parametrize("paper", PAPERS)
def test_every_path_a_paper_names_exists(paper: str) -> None:
    """Paths in backticks from one of the top folders on, files and folders; and links."""
    text = (ROOT / paper).read_text("utf-8")
    named = re.findall(r"`((?:benchd|tests|config|firmware_examples|\.ci)/[\w/.-]*)`", text)
    homes = (ROOT, ROOT / "tests")  # the doors' table counts from the tests
    files = [name for name in named if not name.startswith(("benchd/v0/", "benchd/board/"))]  # topics
    assert [name for name in files if not any((home / name).exists() for home in homes)] == []
    linked = re.findall(r"\]\(([^)#]+)\)", text)
    assert [name for name in linked if not ((ROOT / paper).parent / name).exists()] == []


def test_the_guide_names_every_package() -> None:
    """The table of folders goes two levels down, to the packages a newcomer looks for."""
    named = set(re.findall(r"`((?:benchd)/[\w/]+/)`", DEVELOPERS))
    packages = [path.parent.relative_to(ROOT).as_posix() + "/" for path in ROOT.glob("benchd/*/__init__.py")]
    for layer in ("core", "runtime"):
        rooms = ROOT.glob(f"benchd/{layer}/*/__init__.py")
        packages += [path.parent.relative_to(ROOT).as_posix() + "/" for path in rooms]
    missing = [name for name in packages if name not in named and name not in NAMED_IN_WORDS]
    assert len(packages) > 20
    assert missing == []


def test_each_door_names_tests_there_are() -> None:
    """A row: | door | `file` words, words; `file` words |, the words out of the names of that file's tests."""
    rows = [line.split("|")[2] for line in DOORS.splitlines() if line.startswith("| ") and "`" in line]
    missing = []
    for file, words in re.findall(r"`([\w/]+\.py)` ([\w, ]+)", " ; ".join(rows)):
        names = re.findall(r"def (test_\w+)", (ROOT / "tests" / file).read_text("utf-8"))
        missing += [f"{file}: {w}" for w in words.split(", ") if not any(w.strip() in name for name in names)]
    assert len(rows) > 20
    assert missing == []


def test_each_scorecard_has_its_place() -> None:
    """What tests/accuracy writes with BENCHD_WRITE_SCORECARD goes between two marks, once."""
    texts = [path.read_text("utf-8") for path in (ROOT / "tests" / "accuracy").glob("test_*.py")]
    written = [name for text in texts for name in re.findall(r'\bput\("([\w ]+)"', text)]
    assert len(written) >= 2
    for name in written:
        assert CARDS.count(f"<!-- {name} -->\n") == CARDS.count(f"<!-- end {name} -->") == 1, name


def test_decisions_are_numbered_dated_and_whole() -> None:
    topics = re.findall(r"^## (\d+)\. \w", DECISIONS, re.MULTILINE)
    assert topics == [str(n) for n in range(1, len(topics) + 1)]
    for number, topic in zip(topics, re.split(r"^## ", DECISIONS, flags=re.MULTILINE)[1:], strict=True):
        entries = re.split(r"^\*\*(?=\d)", topic, flags=re.MULTILINE)[1:]
        assert [entry.split(" ", 1)[0] for entry in entries] == [f"{number}.{n}" for n in range(1, len(entries) + 1)]
        for entry in entries:
            assert re.match(r"[\d.]+ [^*]+\*\* \((\d{4}-\d\d-\d\d)(, \d{4}-\d\d-\d\d)*\)\. \*Context:\*", entry), entry
            parts = re.findall(r"\*(Context|Decision|Consequence):\*\s+\S", entry)
            assert parts == ["Context", "Decision", "Consequence"], entry


def test_decisions_refer_to_decisions_there_are() -> None:
    numbers = set(re.findall(r"^\*\*(\d+\.\d+) ", DECISIONS, re.MULTILINE))
    referred = re.findall(r"(?:see |\(|point of )([1-9]\d*\.\d+)(?= for|\))", DECISIONS)
    assert len(numbers) > 80
    assert len(referred) > 3
    assert [number for number in referred if number not in numbers] == []


def test_readme_holds_its_two_commands_and_ci_calls_the_second() -> None:
    commands = re.findall(r"^    (python3 -m venv .*)$", README, re.MULTILINE)
    assert [c.rsplit("/", 1)[1] for c in commands] == ["benchd demo", "pytest"]
    assert "README.md" in (ROOT / ".ci" / "run").read_text("utf-8")


@pytest.mark.parametrize("paper", ["README.md", "DEVELOPERS.md"])
def test_every_command_and_flag_a_paper_names_exists(paper: str) -> None:
    """`benchd WORD --flag`, in backticks or on an indented line; and flags alone in their command's row of a table."""
    text = (ROOT / paper).read_text("utf-8")
    lines = re.findall(r"`((?:sudo )?benchd [a-z][^`]*)`", text)
    lines += [call for line in re.findall(r"^    (.*)$", text, re.MULTILINE) for call in _calls(line)]
    named = [(call, _flags(call)) for call in lines]
    rows = re.findall(r"^\| `(benchd [a-z-]+)[^`]*`[^|]*\|(.*)\|$", text, re.MULTILINE)
    named += [(call, re.findall(r"`(--[\w-]+)", said)) for call, said in rows]
    known = _commands()
    assert len(named) > 4
    wrong = [call for call, flags in named if not _is_known(call, set(flags), known)]
    assert wrong == []


def _is_known(call: str, flags: set[str], known: dict[str, set[str]]) -> bool:
    command, *words = shlex.split(call)[call.startswith("sudo ") + 1 :]
    if command == "mark" and words:  # its flags are a mark's keys
        return bool(mark_bodies(words[0], words[1:]))
    return command in known and flags <= known[command]


def _calls(line: str) -> list[str]:
    return re.findall(r"(?:^|[/ ])(benchd [a-z][^&#]*)", line.partition("#")[0])


def _flags(call: str) -> list[str]:
    return [word for word in shlex.split(call) if re.fullmatch(r"-c|-o|--[\w-]+", word)]


def _commands() -> dict[str, set[str]]:
    """Each command and its flags, its own commands' flags with them."""
    (choices,) = (action.choices for action in _parser(())._actions if isinstance(action, argparse._SubParsersAction))
    return {name: _options(command) for name, command in choices.items()}


def _options(command: argparse.ArgumentParser) -> set[str]:
    found = {option for action in command._actions for option in action.option_strings}
    for action in command._actions:
        if isinstance(action, argparse._SubParsersAction):
            found.update(*(_options(inner) for inner in action.choices.values()))
    return found


def test_the_changelog_begins_with_this_version_and_names_the_copy_to_go_back_to() -> None:
    changelog = (ROOT / "benchd" / "CHANGELOG.md").read_text("utf-8")
    assert re.findall(r"^## (\S+)", changelog, re.MULTILINE)[0] == __version__
    assert f"journal.db.before-schema-{len(MIGRATIONS)}" in changelog


def test_the_hooks_run_what_is_here_and_fetch_nothing() -> None:
    hooks = (ROOT / ".pre-commit-config.yaml").read_text("utf-8")
    assert re.findall(r"- repo: (\S+)", hooks) == ["local"]
    assert set(re.findall(r"language: (\S+)", hooks)) == {"system"}
    check = (ROOT / ".ci" / "check").read_text("utf-8")
    for entry in re.findall(r"entry: \.venv/bin/(\w+)", hooks):
        assert f".venv/bin/{entry}" in check
    paths = re.findall(r"\btests/[\w.]+", hooks + check)
    assert [path for path in paths if not (ROOT / path).exists()] == []


def test_the_metadata_names_files_there_are_and_the_python_it_asks_for() -> None:
    project = tomllib.loads((ROOT / "pyproject.toml").read_text("utf-8"))["project"]
    assert (ROOT / project["readme"]).exists()
    assert all((ROOT / name).exists() for name in project["license-files"])
    assert "version" in project["dynamic"]
    oldest = project["requires-python"].removeprefix(">=")
    assert f"Programming Language :: Python :: {oldest}" in project["classifiers"]


def test_nothing_gives_leave() -> None:
    """benchd is no safety device: the papers never say that anything is safe, only that it never says so."""
    for line in README.splitlines():
        if "safe" in line.lower():
            assert re.search(r"no safety device|never|safety data sheet", line), line
