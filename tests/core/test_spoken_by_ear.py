"""Is what is said understood by ear?  Debian's espeak-ng turns each sentence into phonemes.

A caster in a respirator, beside a compressor, hears half of a sentence.  So no instruction may be within one edit of an
opposite one, in phonemes or in words.  Which instructions are opposite is common practice, no source.
"""

from __future__ import annotations

import re
import shutil
import subprocess
from collections.abc import Sequence
from itertools import combinations

import pytest

from benchd.core.alarm.phrases import PHRASES

needs_espeak = pytest.mark.skipif(shutil.which("espeak-ng") is None, reason="espeak-ng is not installed")

FILLED = {
    "number": "thirty-one", "Floor": "Six minutes", "Hold": "Four more minutes",
    "Kick": "Kick. Pressure was forty seconds ahead.",
    "load": "two", "rh": "fifty-five", "share": "eleven", "odd": "cool", "Board": "Bench board",
    "Instead": "Watch the dial", "molds": "Keeper arms", "Molds": "Keeper cloak",
    "is": "is", "heat": "four hours at sixty-five", "Late": "Late. Lid and air now.",
    "Lid": "Lid now.", "Leak": "Leaking fast. Bleed shut?", "Stall": "Stalled at thirty-three",
    "next": "two", "Yours": "North bench: yours, Ada.",
}  # fmt: skip
MORE = (
    "Late. Keep filling.",
    "Late. Add air.",
    "Late. Finish the mold in hand. Lid and air.",
    "Finish the mold in hand. Lid now.",
    "Leaking fast, thirty-one. Add air. Hands off clamps.",
    "No pressure yet. Inlet, hose, bleed.",
    "Kick. Pressure is up.",
    "Kick came before pressure.",
    "Tank air may be wet. Dump and refill before filling.",
    "Bench board gone. Use the timer.",
    "Nobody has the watch.",
)

ACTIONS = {
    "more air": ("Add air.", "Keep filling.", "Top up.", "Lid and air now.", "Lid and air.", "Lid now.",
                 "Inlet, hose, bleed.", "Keep the air on."),
    "less air": ("Shut the air off.", "Shut the inlet.", "Slow the air.",
                 "Cut air at the compressor.", "Shut it when it's steady."),
    "let out": ("Vent slowly.", "Mask on, vent slowly."),
    "keep in": ("Close the bleed.", "Bleed shut?", "Bleed open?"),
    "go away": ("Get clear.", "Stand clear.", "Set it down, step back.", "Hands off clamps.",
                "Don't open, pot may hold pressure."),
    "come near": ("Check the gasket.", "Check dial, bleed and hiss.", "Check its tap and the dial.", "Check its tap."),
    "pull": ("Pull while green.", "Now, or warm later."),
    "wait": ("Four more minutes.", "Try the sprue first.", "Test before demolding.",
             "Thin parts need longer."),
    "add A": ("Add A to match.",),
    "add B": ("Pour more B.",),
    "watch": ("Watch the dial.", "Use the timer.", "Look at the page."),
    "other": (
        "Thin molds may still take it.", "Don't bin it.", "Cap the resin.", "Warm it.", "Last mold.",
        "Dump and refill before filling.", "Right lot?", "Stop stirring.", "Finish the mold in hand.",
        "Post-cure Keeper cloak: four hours at sixty-five.", "Out of the oven: Keeper cloak.",
        "Lay Keeper arms flat until hard.",
        "Dry Keeper cloak now.", "Release spray on Keeper cloak now.", "Talc Keeper cloak now.",
        "Warm Keeper cloak now.", "Weigh load two now.", "Drain the tank now.", "Its prep can wait.",
        "Look at its steps.",
    ),
}  # fmt: skip
OPPOSITE = (
    ("more air", "less air"), ("more air", "let out"), ("let out", "keep in"), ("go away", "come near"),
    ("pull", "wait"), ("add A", "add B"),
)  # fmt: skip
STATES = re.compile(
    r"^(Pot|Cup|Gauge|Relief|Leaking|Late|Filling|Stalled|Venting|Log|No|Two benches|Part of|Load|Keeper|Tank|Humidity"
    r"|Kick|Mold|At|Past|Cools|Hold|Expect|Reads|Six|B is|Pressure|Steady|Slow leak|Mixed"
    r"|Bench board|This pour|Bench|North bench|Nobody|The plan)\b"
)
"""How the sentences begin that say what is, and not what to do."""


def utterances() -> list[str]:
    """Everything that is spoken, with its slots filled."""
    said = {p.words.format(**FILLED) for p in PHRASES if p.priority <= 3}
    return sorted(said | set(MORE))


def parts(said: str) -> list[str]:
    """The sentences of one utterance."""
    return [s.strip() for s in re.split(r"(?<=[.?])\s+", said) if s.strip(". ")]


def sentences() -> list[str]:
    return sorted({part for said in utterances() for part in parts(said)})


def phonemes(lines: Sequence[str]) -> dict[str, list[str]]:
    """Each line's phonemes without stress, as espeak-ng's American English says them."""
    found = {}
    for line in lines:
        done = subprocess.run(
            ["espeak-ng", "-q", "-x", "--sep=_", "-v", "en-us", line], capture_output=True, text=True, timeout=20,
            check=True,
        )  # fmt: skip
        found[line] = [p for p in re.split(r"[\s_]+", re.sub(r"[',]", "", done.stdout)) if p]
    return found


def distance(one: Sequence[str], other: Sequence[str]) -> int:
    """Edits from one sequence to the other (Levenshtein 1966).

    >>> distance("kitten", "sitting")
    3
    """
    row = list(range(len(other) + 1))
    for i, a in enumerate(one, 1):
        last, row[0] = row[0], i
        for j, b in enumerate(other, 1):
            last, row[j] = row[j], min(row[j] + 1, row[j - 1] + 1, last + (a != b))
    return row[-1]


def words_of(sentence: str) -> list[str]:
    return re.findall(r"[a-z'-]+", sentence.lower())


def opposites() -> list[tuple[str, str]]:
    return [(a, b) for one, other in OPPOSITE for a in ACTIONS[one] for b in ACTIONS[other]]


def test_the_distance_is_that_of_the_book() -> None:
    """Levenshtein's own measure; kitten to sitting takes three edits, the usual example."""
    assert (distance("kitten", "sitting"), distance("", "abc"), distance("a", "a")) == (3, 3, 0)


def test_every_instruction_that_is_said_has_its_place() -> None:
    """A new phrase has to be weighed against its opposite."""
    placed = {sentence for group in ACTIONS.values() for sentence in group}
    assert [s for s in sentences() if s not in placed and not STATES.match(s)] == []
    assert sorted(placed - set(sentences())) == []


def test_no_instruction_is_one_word_from_its_opposite() -> None:
    assert [pair for pair in opposites() if distance(*map(words_of, pair)) < 2] == []


@pytest.fixture(scope="module")
def said() -> dict[str, list[str]]:
    """The phonemes of every sentence."""
    return phonemes(sentences())


@needs_espeak
def test_no_instruction_is_one_sound_from_its_opposite(said: dict[str, list[str]]) -> None:
    assert all(said.values())
    near = {pair: distance(said[pair[0]], said[pair[1]]) for pair in opposites()}
    assert [pair for pair, edits in near.items() if edits < 2] == []
    assert min(near.values()) >= 4, min(near.items(), key=lambda item: item[1])


@needs_espeak
def test_no_two_things_said_sound_alike(said: dict[str, list[str]]) -> None:
    whole = {words: [sound for part in parts(words) for sound in said[part]] for words in utterances()}
    near = {pair: distance(whole[pair[0]], whole[pair[1]]) for pair in combinations(whole, 2)}
    assert [pair for pair, edits in near.items() if edits < 3] == []


def test_nothing_is_said_that_a_voice_reads_wrong() -> None:
    """espeak-ng reads "psi" as a word, "kPa" letter by letter; figures and signs differ from voice to voice."""
    assert [said for said in utterances() if re.search(r"\bpsi\b|kPa|\d|%|/|[A-Z]{2}", said)] == []


@needs_espeak
def test_psi_is_read_as_a_word() -> None:
    """Why a pressure is said without its unit."""
    assert phonemes(["psi"])["psi"] == phonemes(["sigh"])["sigh"]
