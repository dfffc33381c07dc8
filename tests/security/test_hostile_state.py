"""A state that comes with a recording, a backup or a journal is read as plain data or not at all."""

from __future__ import annotations

import base64
import json
import lzma
import random
import time
import zlib
from pathlib import Path

import msgspec
import pytest
from some_of import some_of

from benchd import cli
from benchd.core.engine import Engine
from benchd.core.format.record import carried_state, heading, read_recording
from benchd.core.model import Context, Table
from benchd.core.state.codec import MOST_BYTES
from benchd.core.state.errors import StateError
from benchd.plugins import watcher_plan

RECORDING = Path(__file__).parents[1] / "recordings" / "load-1.jsonl.xz"


def text(word: str) -> bytes:
    """A short string as protocol 4 of Python's pickles writes it."""
    return b"\x8c" + bytes([len(word.encode())]) + word.encode()


def calling(module: str, name: str, *arguments: str) -> bytes:
    """The opcodes (pickletools documents them): push module.name, a list of the arguments, a tuple of it, call."""
    return b"\x80\x04" + text(module) + text(name) + b"\x93](" + b"".join(map(text, arguments)) + b"e\x85R."


@pytest.fixture(scope="module")
def begun(tmp_path_factory: pytest.TempPathFactory) -> tuple[bytes, list[Context | Table], Path]:
    """(a state in mid-pour, what stands, the recording it is of)."""
    path = tmp_path_factory.mktemp("state") / "load-1.jsonl"
    path.write_bytes(lzma.decompress(RECORDING.read_bytes()))
    with path.open(encoding="utf-8") as lines:
        items = list(read_recording(lines))
    engine = Engine(watcher_plan)
    for item in items[:2500]:
        engine.step(item)
    return engine.freeze(), [x for x in items if isinstance(x, Context | Table)], path


def test_a_pickle_in_a_recordings_heading_runs_nothing(
    begun: tuple[bytes, list[Context | Table], Path], tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """A callable reached by a dotted name used to be called; now the bytes are no state, and the replay says so."""
    flag = tmp_path / "ran"
    body = calling("benchd.physics.cup_heat", "np.f2py.subprocess.Popen", "touch", str(flag))
    lines = begun[2].read_text("utf-8").splitlines()[:40]
    head = json.loads(lines[0]) | {"state": base64.b64encode(zlib.compress(body)).decode()}
    evil = tmp_path / "evil.jsonl"
    evil.write_text("\n".join([json.dumps(head), *lines[1:]]) + "\n", "utf-8")
    assert cli.main(["replay", str(evil)]) == 0
    time.sleep(0.2)  # a program begun there would need a moment
    assert not flag.exists()
    assert "left out: not a state" in capsys.readouterr().err


def test_a_state_is_read_back_by_what_stands(begun: tuple[bytes, list[Context | Table], Path]) -> None:
    state, standing, _ = begun
    assert Engine.thaw(state, watcher_plan, standing).freeze() == state


def test_without_its_context_or_its_table_a_state_does_not_fit(
    begun: tuple[bytes, list[Context | Table], Path],
) -> None:
    state, standing, _ = begun
    for less in ([], [x for x in standing if isinstance(x, Context)], [x for x in standing if isinstance(x, Table)]):
        with pytest.raises(StateError):
            Engine.thaw(state, watcher_plan, less)


@pytest.mark.parametrize("count", some_of([300, 2000], 1))
def test_a_state_damaged_anywhere_is_refused_or_read_as_declared_types(
    begun: tuple[bytes, list[Context | Table], Path], count: int
) -> None:
    """States with some bytes changed, cut or doubled: never any error but StateError."""
    state, standing, _ = begun
    dice, refused = random.Random(11), 0
    for _ in range(count):
        spoilt = bytearray(state)
        for _ in range(dice.randint(1, 6)):
            at = dice.randrange(len(spoilt))
            match dice.randrange(3):
                case 0:
                    spoilt[at] = dice.randrange(256)
                case 1:
                    del spoilt[at : at + dice.randint(1, 40)]
                case _:
                    spoilt[at:at] = spoilt[at : at + dice.randint(1, 40)]
        try:
            Engine.thaw(bytes(spoilt), watcher_plan, standing)
        except StateError:
            refused += 1
    assert refused > count / 2


@pytest.mark.parametrize("depth", [100, 10_000, 1_000_000])
def test_a_state_nested_without_end_is_refused(depth: int, begun: tuple[bytes, list[Context | Table], Path]) -> None:
    version, types, given, legend, _ = msgspec.msgpack.decode(begun[0])
    head = msgspec.msgpack.encode([version, types, given, legend])
    deep = bytes([0x95]) + head[1:] + b"\x91" * depth + b"\xc0"
    with pytest.raises(StateError):
        Engine.thaw(deep, watcher_plan, begun[1])


def test_a_class_that_has_no_tag_cannot_be_named(begun: tuple[bytes, list[Context | Table], Path]) -> None:
    version, types, given, legend, plain = msgspec.msgpack.decode(begun[0])
    for name in ("subprocess.Popen", "benchd.physics.cup_heat", "os", "engine", 3, None, ["kick"]):
        blob = msgspec.msgpack.encode([version, types, given, [name, *legend[1:]], plain])
        with pytest.raises(StateError, match="no type this version stores"):
            Engine.thaw(blob, watcher_plan, begun[1])


def test_a_bomb_is_not_unpacked(begun: tuple[bytes, list[Context | Table], Path]) -> None:
    """A heading may not unpack beyond the cap; what is read of it is nothing."""
    assert carried_state(heading("north", bytes(MOST_BYTES + 1))) is None
    assert carried_state(heading("north", begun[0])) == begun[0]


def test_an_array_that_claims_to_be_huge_takes_no_memory() -> None:
    from benchd.core.state.arrays import read_array

    for shape in ([1 << 40], [1 << 20, 1 << 20], [-1], [2.5], [1 << 31, 1 << 31]):
        for is_half in (True, False):
            with pytest.raises(StateError):
                read_array(["<f8", shape, is_half, b"\0" * 80], None)
