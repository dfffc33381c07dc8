"""Long work: a line on a terminal, silence in a pipe, and no half-written file when it is broken off."""

from __future__ import annotations

import io
from pathlib import Path

import pytest

from benchd.runtime.files.whole_file import whole_text
from benchd.runtime.printing.terminal import Progress


class Terminal(io.StringIO):
    def isatty(self) -> bool:
        return True


def test_progress_is_one_line_on_a_terminal_and_gone_at_the_end(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setenv("TERM", "xterm")
    out = Terminal()
    with Progress(out) as progress:
        assert list(progress.each(range(1000), "read\x1b[2J")) == list(range(1000))
    assert out.getvalue().startswith("\r\x1b[2K1 read [2J")
    assert "\n" not in out.getvalue()
    assert out.getvalue().endswith("\r\x1b[2K")
    assert out.getvalue().count("read") < 20  # a thousand items at once are not a thousand lines


@pytest.mark.parametrize("term", ["xterm", "dumb"])
def test_progress_is_silent_elsewhere(term: str, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setenv("TERM", term)
    out = io.StringIO() if term == "xterm" else Terminal()
    with Progress(out) as progress:
        progress.show("half")
    assert out.getvalue() == ""


def test_a_file_has_its_name_once_it_is_whole(tmp_path: Path) -> None:
    path = tmp_path / "load.jsonl"
    path.write_text("old")
    with whole_text(path) as out:
        out.write("new")
        assert path.read_text() == "old"
    assert path.read_text() == "new"
    assert [p.name for p in tmp_path.iterdir()] == ["load.jsonl"]


def test_what_is_broken_off_leaves_nothing(tmp_path: Path) -> None:
    def broken_off() -> None:
        with whole_text(tmp_path / "load.jsonl") as out:
            out.write("half")
            raise KeyboardInterrupt

    with pytest.raises(KeyboardInterrupt):
        broken_off()
    assert list(tmp_path.iterdir()) == []
