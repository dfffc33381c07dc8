"""Can a stranger who guesses at the pairing code keep its owner from pairing, or find it, or go unnoticed?"""

from __future__ import annotations

import json
from pathlib import Path

import pytest
from asgi_ask import ask
from paired_daemon import JSON, PairedDaemon
from starlette.applications import Starlette

from benchd.commands.pair import watched
from benchd.page.pairing import PairingDesk
from benchd.runtime.http.tokens import (
    ALPHABET,
    CODE_LASTS_S,
    CODE_SIGNS,
    MOST_GUESSES,
    MOST_GUESSES_IN_ALL,
    GuessedAt,
    Pairing,
    TooManyGuesses,
    WrongCode,
)

OWNER, STRANGER = "192.168.7.31", "192.168.7.66"
LOUD = "Someone guessed at the pairing code. Ask for a new code."


def pairing_in(folder: Path) -> Pairing:
    return Pairing(folder / "phones.json", lambda: 1_795_600_000.0, lambda: 1000.0)


def wrong_for(code: str) -> str:
    return "0000-0000" if code[0] != "0" else "1111-1111"


def guess(pairing: Pairing, code: str, address: str, times: int) -> None:
    for _ in range(times):
        with pytest.raises((WrongCode, TooManyGuesses)):
            pairing.exchange(wrong_for(code), "x", address)


def test_a_strangers_wrong_guesses_do_not_take_the_code_from_its_owner(tmp_path: Path) -> None:
    """Fifty and any number more from one address: it alone is refused; the owner's code still opens."""
    pairing = pairing_in(tmp_path)
    code = pairing.new_code()
    guess(pairing, code, STRANGER, 1000)
    with pytest.raises(TooManyGuesses):
        pairing.exchange(code, "x", STRANGER)
    assert pairing.exchange(code, "phone", OWNER)


def test_guesses_from_many_addresses_end_the_code_aloud(tmp_path: Path) -> None:
    """The whole budget is spent: the right code is refused with the reason, until the console makes a new one."""
    pairing = pairing_in(tmp_path)
    code = pairing.new_code()
    for number in range(MOST_GUESSES_IN_ALL // MOST_GUESSES):
        guess(pairing, code, f"192.168.8.{number}", MOST_GUESSES)
    with pytest.raises(GuessedAt) as caught:
        pairing.exchange(code, "phone", OWNER)
    assert str(caught.value) == LOUD
    assert pairing.code_state() == "guessed"
    again = pairing.new_code()
    assert pairing.code_state() == "open"
    assert pairing.exchange(again, "phone", OWNER)


def test_an_ipv6_host_has_one_budget_whatever_addresses_it_takes(tmp_path: Path) -> None:
    """RFC 4291 section 2.5.1: the last 64 bits are an interface's own to choose."""
    pairing = pairing_in(tmp_path)
    code = pairing.new_code()
    for number in range(500):
        guess(pairing, code, f"2001:db8::{number:x}", 1)
    with pytest.raises(TooManyGuesses):
        pairing.exchange(code, "x", "2001:db8::ffff")
    assert pairing.exchange(code, "phone", OWNER)


def test_forgotten_addresses_give_no_budget_beyond_the_whole(tmp_path: Path) -> None:
    """However many addresses take part, a code hears no more than its whole budget of wrong guesses."""
    pairing = pairing_in(tmp_path)
    code = pairing.new_code()
    heard = 0
    for number in range(3 * MOST_GUESSES_IN_ALL):
        try:
            pairing.exchange(wrong_for(code), "x", f"10.{number // 65536}.{number // 256 % 256}.{number % 256}")
        except GuessedAt:
            break
        except WrongCode:
            heard += 1
    assert heard <= MOST_GUESSES_IN_ALL


def test_the_chance_of_a_right_guess_is_what_the_docstring_says() -> None:
    """NIST SP 800-63B section 5.1.2: 20 bit with a limit of guesses; ours stay below one in a hundred million."""
    assert MOST_GUESSES_IN_ALL / len(ALPHABET) ** CODE_SIGNS < 1e-8
    assert CODE_LASTS_S <= 600.0


@pytest.mark.parametrize(
    ("states", "says"),
    [
        (["open", "open", "guessed"], LOUD),
        (["open", "used"], "Paired"),
        (["open", "over"], "benchd pair"),
        (["none"], "benchd pair"),
    ],
)
def test_the_console_that_shows_the_code_says_what_became_of_it(
    states: list[str], says: str, capsys: pytest.CaptureFixture[str]
) -> None:
    left = list(states)

    def asked(method: str, route: str, body: object = None) -> tuple[int, dict[str, object]]:
        return 200, {"ok": True, "code_state": left.pop(0), "guesses": MOST_GUESSES}

    assert says in watched(600.0, asked=asked, wait=lambda seconds: None)
    assert left == []
    assert capsys.readouterr().out.count("Someone guesses") == (states[0] == "open")


async def test_the_pairing_page_is_answered_why_the_right_code_opens_no_more(tmp_path: Path) -> None:
    pairing = pairing_in(tmp_path)
    code = pairing.new_code()
    for number in range(MOST_GUESSES_IN_ALL // MOST_GUESSES):
        guess(pairing, code, f"192.168.8.{number}", MOST_GUESSES)
    desk = PairingDesk(pairing, ("bench.lan",), 8443, lambda: None, lambda: "")
    app = Starlette(routes=desk.phone_routes())
    answer = await ask(app, "POST", "/api/v0/pair", JSON, json.dumps({"code": code, "name": "x"}).encode())
    assert answer.status == 403
    assert json.loads(answer.body)["why"] == LOUD


@pytest.mark.wide
def test_the_owner_learns_of_guesses_from_console_and_log(tmp_path: Path) -> None:
    made = PairedDaemon(tmp_path)
    with made.started():
        code = made.code()["code"]
        body = {"code": wrong_for(code), "name": "x", "script": True}
        answers = [made.ask("POST", "/api/v0/pair", JSON, body)[0] for _ in range(MOST_GUESSES + 1)]
        assert answers == [403] * MOST_GUESSES + [429]
        told = made.get("/api/v0/pairing")
        assert told["code_state"] == "open"
        assert told["guesses"] == MOST_GUESSES
        assert "wrong guesses at the pairing code from 127.0.0.1" in made.stderr


def test_a_new_code_is_made_at_the_console_only(tmp_path: Path) -> None:
    """Neither a stranger nor a paired phone can begin one over the network."""
    made = PairedDaemon(tmp_path)
    with made.started():
        bearer = {"Authorization": f"Bearer {made.token()}"}
        assert made.ask("POST", "/api/v0/pairing", JSON, {})[0] == 401
        assert made.ask("POST", "/api/v0/pairing", JSON | bearer, {})[0] == 404
        assert json.loads(made.ask("GET", "/api/v0/pairing", bearer)[2])["ok"] is False
