"""Authorises phones: a one-time code shown on the console is exchanged for a token.

The console shows a code (40 bit, ten minutes, one use).  The phone that sends it gets a token (256 bit), which is
stored hashed. An address that guesses wrong 50 times is refused for a quarter of an hour, whatever code it sends next;
the code stays valid for everyone else, so one attacker cannot keep the owner from pairing.  A code ends after 10,000
wrong guesses from all addresses together: console, log and pairing page say so, and only the console can make the next.
Neither code nor token is ever logged.

The chance that a code is guessed is thus at most 10,000 / 32^8 = 9.1e-9 for a code however many guess, and 50 / 32^8 =
4.5e-11 for one address; a new code, with a new chance, takes a person at the console.  The token is too long to be
guessed. (NIST SP 800-63B section 5.1.2 demands 20 bit with rate limiting of a code; 112 bit where a plain hash is
stored.)
"""

from __future__ import annotations

import hashlib
import hmac
import json
import logging
import secrets
from collections.abc import Callable
from dataclasses import asdict, dataclass
from pathlib import Path
from typing import Literal

from benchd.errors import BenchdError
from benchd.runtime.files.whole_file import put_whole
from benchd.runtime.http.callers import network

ALPHABET = "0123456789ABCDEFGHJKMNPQRSTVWXYZ"  # 32 characters that cannot be confused with one another
ALIKE = str.maketrans({"O": "0", "I": "1", "L": "1", "-": None, " ": None})
CODE_SIGNS = 8
CODE_LASTS_S = 600.0
TOKEN_BYTES = 32
MOST_GUESSES = 50
MOST_GUESSES_IN_ALL = 10_000  # 200 addresses at their limit: a whole home network; chance below 1e-8
REFUSED_FOR_S = 900.0
MOST_PEERS = 1024
MOST_PHONES = 32
MOST_NAME_SIGNS = 40
GUESSED_AT = "Someone guessed at the pairing code. Ask for a new code."

log = logging.getLogger(__name__)

CodeState = Literal["none", "open", "used", "over", "guessed"]


class WrongCode(BenchdError):
    """The code is wrong or has expired."""


class GuessedAt(WrongCode):
    """The code has ended because there were too many wrong guesses."""

    def __init__(self) -> None:
        super().__init__(GUESSED_AT)


class TooManyGuesses(BenchdError):
    """This address guessed wrong too often; it may try again after `wait_s`."""

    def __init__(self, wait_s: float) -> None:
        self.wait_s = wait_s
        super().__init__(f"too many wrong guesses; try again in {max(1, round(wait_s / 60))} min")


@dataclass(frozen=True, slots=True)
class Paired:
    """A phone (or script) that is authorised; `digest` is its token's SHA-256 in hex."""

    id: str
    name: str
    paired_t: float
    digest: str


class Guesses:
    """Counts each address's recent wrong guesses; bounded, the oldest address is forgotten first."""

    def __init__(self, monotonic: Callable[[], float]) -> None:
        self._monotonic = monotonic
        self._wrong: dict[str, tuple[int, float]] = {}

    def refuse(self, peer: str) -> None:
        """Raises TooManyGuesses while the address is blocked."""
        peer = network(peer)
        count, since_s = self._wrong.get(peer, (0, 0.0))
        wait_s = since_s + REFUSED_FOR_S - self._monotonic()
        if wait_s <= 0:
            self._wrong.pop(peer, None)
        elif count >= MOST_GUESSES:
            raise TooManyGuesses(wait_s)

    def count(self, peer: str) -> bool:
        """Record a wrong guess; returns whether the address is blocked now."""
        peer = network(peer)
        count, since_s = self._wrong.get(peer, (0, self._monotonic()))
        self._wrong[peer] = (count + 1, since_s)
        if len(self._wrong) > MOST_PEERS:
            del self._wrong[next(iter(self._wrong))]
        return count + 1 == MOST_GUESSES


class Pairing:
    """The paired phones, in a file of mode 0600, and the open code, in memory only."""

    def __init__(self, path: Path, now: Callable[[], float], monotonic: Callable[[], float]) -> None:
        self._path, self._now, self._monotonic = path, now, monotonic
        self._code, self._code_until_s = "", 0.0
        self._ended: CodeState = "none"
        self.guesses = 0  # wrong guesses of the newest code
        self._codes, self._tokens = Guesses(monotonic), Guesses(monotonic)
        self._phones: dict[str, Paired] = _read(path)
        self._seen_t: dict[str, float] = {}

    def new_code(self) -> str:
        """A code for one phone; the previous code becomes invalid."""
        self._code = "".join(secrets.choice(ALPHABET) for _ in range(CODE_SIGNS))
        self._code_until_s, self.guesses = self._monotonic() + CODE_LASTS_S, 0
        return f"{self._code[:4]}-{self._code[4:]}"

    def exchange(self, code: str, name: str, peer: str) -> str:
        """The token for a code.  Raises WrongCode, GuessedAt, TooManyGuesses; OSError when it cannot be stored."""
        self._codes.refuse(peer)
        state = self.code_state()
        if state == "guessed":
            raise GuessedAt
        written = code.upper().translate(ALIKE)
        is_right = hmac.compare_digest(digest_of(written), digest_of(self._code))
        if state != "open" or not is_right:
            self._wrong_guess(peer, state)
            raise WrongCode("that is not the code; a new one: benchd pair")
        if len(self._phones) >= MOST_PHONES:
            raise WrongCode(f"{MOST_PHONES} phones are paired already; benchd pair --revoke ID lets one go")
        token = secrets.token_urlsafe(TOKEN_BYTES)
        id = _free_id(self._phones)
        self._keep(self._phones | {id: Paired(id, self._free_name(_shown(name)), self._now(), digest_of(token))})
        self._code, self._ended = "", "used"
        return token

    def code_state(self) -> CodeState:
        """The state of the newest code; "guessed": it ended after too many wrong guesses."""
        if not self._code:
            return self._ended
        return "open" if self._monotonic() < self._code_until_s else "over"

    def _wrong_guess(self, peer: str, state: CodeState) -> None:
        is_last = self._codes.count(peer)
        if state != "open":
            return
        self.guesses += 1
        if is_last:
            log.warning(
                "pairing: %d wrong guesses at the pairing code from %s, which is refused now", MOST_GUESSES, peer
            )
        if self.guesses >= MOST_GUESSES_IN_ALL:
            self._code, self._ended = "", "guessed"
            log.warning("pairing: %s (benchd pair)", GUESSED_AT)

    def who(self, token: str, peer: str) -> Paired | None:
        """The phone that a token belongs to.

        A correct one is always accepted; past the 50th wrong one, raises TooManyGuesses.
        """
        digest, found = digest_of(token), None
        for phone in self._phones.values():  # always to the end, so that the time taken reveals nothing
            if hmac.compare_digest(phone.digest, digest):
                found = phone
        if found is None:
            self._tokens.refuse(peer)
            self._tokens.count(peer)
            return None
        self._seen_t[found.id] = self._now()
        return found

    def is_paired(self, id: str) -> bool:
        """Whether a phone with this id is paired."""
        return id in self._phones

    def listed(self) -> list[dict[str, object]]:
        """The phones, oldest first: id, name, paired_t, seen_t [unix s; None: not since the daemon began]."""
        return [
            {"id": p.id, "name": p.name, "paired_t": p.paired_t, "seen_t": self._seen_t.get(p.id)}
            for p in self._phones.values()
        ]

    def revoke(self, id: str) -> bool:
        """Withdraw a phone's authorisation; False when there is none with that id.

        Raises OSError when it cannot be stored.
        """
        if id not in self._phones:
            return False
        self._keep({k: phone for k, phone in self._phones.items() if k != id})
        return True

    def _free_name(self, name: str) -> str:
        """The name, with a number where another phone has it: two of one name would count as one hand."""
        taken = {phone.name.casefold() for phone in self._phones.values()}
        names = [name, *(f"{name[: MOST_NAME_SIGNS - 3]} {n}" for n in range(2, MOST_PHONES + 2))]
        return next(each for each in names if each.casefold() not in taken)

    def _keep(self, phones: dict[str, Paired]) -> None:
        """Store the phones, then put the change into force."""
        self._path.parent.mkdir(parents=True, exist_ok=True, mode=0o700)
        put_whole(self._path, json.dumps([asdict(p) for p in phones.values()]).encode())
        self._phones = phones


def digest_of(token: str) -> str:
    """The digest stored for a token."""
    return hashlib.sha256(token.encode("utf-8", "surrogatepass")).hexdigest()


def _read(path: Path) -> dict[str, Paired]:
    """The stored phones; none when the file is missing or damaged."""
    try:
        rows = json.loads(path.read_bytes())
        phones = [Paired(str(r["id"]), str(r["name"]), float(r["paired_t"]), str(r["digest"])) for r in rows]
    except (OSError, ValueError, TypeError, KeyError, RecursionError):
        return {}
    return {phone.id: phone for phone in phones if phone.digest.isascii()}


def _free_id(phones: dict[str, Paired]) -> str:
    number = 1 + max((int(id[1:]) for id in phones if id[1:].isdigit()), default=0)
    return f"p{number}"


def _shown(name: str) -> str:
    """A name fit to be shown and logged: printable and short."""
    kept = "".join(sign for sign in name if sign.isprintable()).strip()[:MOST_NAME_SIGNS]
    return kept or "phone"
