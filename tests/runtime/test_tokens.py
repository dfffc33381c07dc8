"""Does a code open the door once, for a while, and to nobody who guesses?"""

from __future__ import annotations

import base64
import json
import stat
from pathlib import Path

import pytest

from benchd.runtime.http.tokens import (
    CODE_LASTS_S,
    MOST_GUESSES,
    MOST_PHONES,
    REFUSED_FOR_S,
    Pairing,
    TooManyGuesses,
    WrongCode,
)

HERE, THERE = "192.168.7.31", "192.168.7.66"


class Desk:
    """A pairing with a clock to turn."""

    def __init__(self, folder: Path) -> None:
        self.path = folder / "https" / "phones.json"
        self.t_s = 1000.0
        self.pairing = self.reopened()

    def reopened(self) -> Pairing:
        return Pairing(self.path, lambda: 1_795_600_000.0 + self.t_s, lambda: self.t_s)


@pytest.fixture
def desk(tmp_path: Path) -> Desk:
    return Desk(tmp_path)


def test_a_code_is_taken_once_for_a_token_of_at_least_128_bit(desk: Desk) -> None:
    code = desk.pairing.new_code()
    token = desk.pairing.exchange(code, "studio phone", HERE)
    assert len(base64.urlsafe_b64decode(token + "=")) * 8 >= 128
    phone = desk.pairing.who(token, HERE)
    assert phone is not None
    assert phone.name == "studio phone"
    with pytest.raises(WrongCode):
        desk.pairing.exchange(code, "another", HERE)


def test_a_code_may_be_typed_in_small_letters_with_letters_for_digits(desk: Desk) -> None:
    code = desk.pairing.new_code()
    typed = code.lower().replace("0", "o").replace("1", "l").replace("-", " ")
    assert desk.pairing.exchange(typed, "", HERE)
    assert desk.pairing.listed()[0]["name"] == "phone"


def test_the_token_is_stored_hashed_for_the_daemon_alone_and_outlives_it(desk: Desk) -> None:
    token = desk.pairing.exchange(desk.pairing.new_code(), "phone", HERE)
    assert token not in desk.path.read_text()
    assert stat.S_IMODE(desk.path.stat().st_mode) == 0o600
    again = desk.reopened().who(token, HERE)
    assert again is not None
    assert again.id == "p1"


@pytest.mark.parametrize("code", ["", "-", "0000-0000", "é" * 8, "\ud800"], ids=ascii)
def test_no_code_open_means_none_is_right(desk: Desk, code: str) -> None:
    with pytest.raises(WrongCode):
        desk.pairing.exchange(code, "phone", HERE)


def test_a_code_ends_after_ten_minutes_and_with_the_next(desk: Desk) -> None:
    old = desk.pairing.new_code()
    new = desk.pairing.new_code()
    with pytest.raises(WrongCode):
        desk.pairing.exchange(old, "phone", HERE)
    desk.t_s += CODE_LASTS_S
    with pytest.raises(WrongCode):
        desk.pairing.exchange(new, "phone", HERE)


def test_after_50_wrong_guesses_an_address_is_refused_even_the_right_code_which_stays_good_elsewhere(
    desk: Desk,
) -> None:
    code = desk.pairing.new_code()
    wrong = "0000-0000" if code[0] != "0" else "1111-1111"
    for _ in range(50):
        with pytest.raises(WrongCode):
            desk.pairing.exchange(wrong, "phone", THERE)
    with pytest.raises(TooManyGuesses) as caught:
        desk.pairing.exchange(code, "phone", THERE)
    assert 0 < caught.value.wait_s <= REFUSED_FOR_S
    assert desk.pairing.exchange(code, "phone", HERE)
    desk.t_s += REFUSED_FOR_S
    assert desk.pairing.exchange(desk.pairing.new_code(), "phone", THERE)


def test_after_50_wrong_tokens_an_address_is_refused_but_a_right_one_is_heard(desk: Desk) -> None:
    token = desk.pairing.exchange(desk.pairing.new_code(), "phone", HERE)
    for number in range(MOST_GUESSES):
        assert desk.pairing.who(f"guess-{number}", HERE) is None
    with pytest.raises(TooManyGuesses):
        desk.pairing.who("guess", HERE)
    assert desk.pairing.who(token, HERE) is not None
    assert desk.pairing.who("guess", THERE) is None


def test_a_revoked_phone_comes_in_no_longer_not_after_a_restart_either(desk: Desk) -> None:
    tokens = [desk.pairing.exchange(desk.pairing.new_code(), f"phone {n}", HERE) for n in range(2)]
    assert desk.pairing.revoke("p1")
    assert not desk.pairing.revoke("p1")
    for pairing in (desk.pairing, desk.reopened()):
        assert pairing.who(tokens[0], HERE) is None
        assert pairing.who(tokens[1], HERE) is not None
        assert [phone["id"] for phone in pairing.listed()] == ["p2"]


def test_the_list_is_bounded(desk: Desk) -> None:
    for _ in range(MOST_PHONES):
        desk.pairing.exchange(desk.pairing.new_code(), "phone", HERE)
    with pytest.raises(WrongCode, match="revoke"):
        desk.pairing.exchange(desk.pairing.new_code(), "phone", HERE)


@pytest.mark.parametrize("content", [b"", b"{", b"[1]", b'[{"id": "p1"}]', b"\xff", b"[" * 5000, b'{"id": 1}'])
def test_a_damaged_list_lets_nobody_in(desk: Desk, content: bytes) -> None:
    desk.path.parent.mkdir()
    desk.path.write_bytes(content)
    assert desk.reopened().listed() == []


def test_a_name_is_shown_in_one_short_line(desk: Desk) -> None:
    desk.pairing.exchange(desk.pairing.new_code(), "a\n\x1b[2Jb" + "x" * 100, HERE)
    name = json.loads(desk.path.read_text())[0]["name"]
    assert name == ("a[2Jb" + "x" * 100)[:40]


def test_what_cannot_be_stored_is_not_in_force(desk: Desk) -> None:
    desk.path.parent.write_text("a file where the folder should be")
    with pytest.raises(OSError, match="https"):
        desk.pairing.exchange(desk.pairing.new_code(), "phone", HERE)
    assert desk.pairing.listed() == []
