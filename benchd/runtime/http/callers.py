"""The table of connections to the page: how long each may last, and which is closed when there are too many.

1. A request's head must be complete HEAD_WITHIN_S after the connection was accepted (TLS handshake included).
2. A caller is unknown until it has shown a phone's token (or, on this machine's own page, has subscribed to the
   stream).  An unknown caller's request must be read and answered ANSWER_WITHIN_S after its head; a known caller's may
   take longer, as an event stream does.
3. Unknown callers share a small number of places.  A new one is never turned away: it takes the place of the oldest
   unknown caller, first within its own address, then within the address that holds the most.  So an attacker who holds
   connections open loses them, and a phone, which needs its place for one handshake and one head, gets in.
4. Known callers have places of their own, which unknown ones cannot take.  So have new callers from an address that has
   shown a token lately: a flood from many addresses does not affect them.  The console's socket has a table of its own.

The remaining limit: an attacker who opens connections from a phone's own address faster than that phone can complete a
handshake keeps it from opening new ones; its existing connections stay.  There are no sockets and no clock here:
`call_later` and each caller's `cut` do the work.

Source for rule 1: RFC 9110 section 15.5.9 (a server need not wait for a request it began to read); numbers below.
"""

from __future__ import annotations

import asyncio
import ipaddress
import logging
from collections import Counter
from collections.abc import Callable, MutableMapping
from typing import Any, Protocol

HEAD_WITHIN_S = 5.0  # common practice; a phone on a bad link needs less than two for handshake and request
NEXT_HEAD_WITHIN_S = 10.0  # on an answered connection: uvicorn's own 5 s idle limit, and as long for the head
ANSWER_WITHIN_S = 20.0  # the largest answer to a stranger (a 40 kB script) at 20 kbit/s; a body is at most 64 kB
MOST_UNKNOWN = 64  # with MOST_KNOWN and the console's far below the 1024 descriptors a process usually has
MOST_UNKNOWN_EACH = 16  # per address: a browser opens six at once (common practice); two phones behind one relay
RESERVED = 48  # for new callers from addresses that have shown a token: eight browsers at once
MOST_PROVED = 64  # addresses remembered for having shown a token, twice as many as phones
MOST_KNOWN = 128  # 32 phones (runtime/http/tokens.py) with a stream and three requests each
TOLD_EVERY_S = 60.0
CALLER = "caller"  # its key in an ASGI scope's state

log = logging.getLogger(__name__)


class Timer(Protocol):
    """What `call_later` returns."""

    def cancel(self) -> None:
        """Prevent the call."""


CallLater = Callable[[float, Callable[[], None]], Timer]


class Caller:
    """One connection; `cut` closes it at once."""

    def __init__(self, callers: Callers, address: str, cut: Callable[[], object]) -> None:
        self._callers, self.address, self.cut = callers, address, cut
        self.is_known = False
        self._asked = 0  # the next request may begin before the last one's answer has quite ended
        self.is_gone = asyncio.Event()
        self._timer: Timer | None = None

    @property
    def is_answering(self) -> bool:
        """Whether a request of this caller is being answered."""
        return self._asked > 0

    def let_have(self, seconds: float | None) -> None:
        """Close the connection after this many seconds from now; None: no limit."""
        if self._timer is not None:
            self._timer.cancel()
        self._timer = None
        if seconds is not None and not self.is_gone.is_set():
            self._timer = self._callers.call_later(seconds, self._too_slow)

    def _too_slow(self) -> None:
        self._callers.note_cut(self)
        self.cut()

    def asked(self) -> None:
        """A request's head is complete."""
        self._asked += 1
        self.let_have(None if self.is_known else ANSWER_WITHIN_S)

    def answered(self) -> None:
        """The answer is complete, or was given up."""
        self._asked -= 1
        if not self.is_answering:
            self.let_have(NEXT_HEAD_WITHIN_S)

    def known(self) -> None:
        """The caller is authorised; past MOST_KNOWN it stays in an unknown caller's place, but without a time limit."""
        self._callers.prove(self.address)
        if not self.is_known and self._callers.count_known() < MOST_KNOWN:
            self.is_known = True
        if self.is_answering:
            self.let_have(None)

    def gone(self) -> None:
        """The connection is closed; may be called twice."""
        self.is_gone.set()
        self.let_have(None)
        self._callers.forget(self)


class Callers:
    """All connections to one listener, in the order they were accepted."""

    def __init__(self, call_later: CallLater) -> None:
        self.call_later = call_later
        self._all: dict[Caller, None] = {}
        self._proved: dict[str, None] = {}
        self._cut = 0
        self._telling: Timer | None = None

    def __len__(self) -> int:
        return len(self._all)

    def count_known(self) -> int:
        """How many callers are known."""
        return sum(caller.is_known for caller in self._all)

    def arrived(self, address: str, cut: Callable[[], object]) -> Caller:
        """Give a new connection a place; another one may be closed for it."""
        address = network(address)
        self._make_room(address)
        caller = Caller(self, address, cut)
        self._all[caller] = None
        caller.let_have(HEAD_WITHIN_S)
        return caller

    def prove(self, address: str) -> None:
        """Remember that a phone with a token called from this address: its next connection gets a reserved place."""
        self._proved.pop(address, None)
        self._proved[address] = None
        if len(self._proved) > MOST_PROVED:
            del self._proved[next(iter(self._proved))]

    def _make_room(self, address: str) -> None:
        is_proved = address in self._proved
        unknown = [c for c in self._all if not c.is_known and (c.address in self._proved) == is_proved]
        of_each = Counter(caller.address for caller in unknown)
        if of_each[address] >= MOST_UNKNOWN_EACH:
            crowd = address
        elif len(unknown) >= (RESERVED if is_proved else MOST_UNKNOWN):
            crowd = of_each.most_common(1)[0][0]
        else:
            return
        # age alone decides: if callers with a request were spared, slow requests would outlast every new caller
        oldest = next(caller for caller in unknown if caller.address == crowd)
        self.note_cut(oldest)
        oldest.let_have(None)
        self.forget(oldest)  # at once: the connection itself takes a moment to end
        oldest.cut()

    def forget(self, caller: Caller) -> None:
        """Remove a caller from the table."""
        self._all.pop(caller, None)

    def note_cut(self, caller: Caller) -> None:
        """Log the first closing at once, then once a minute for all of them, so that the log is not flooded."""
        self._cut += 1
        if self._telling is None:
            self._tell(caller.address)

    def _tell(self, address: str) -> None:
        self._telling = None
        if not self._cut:
            return
        s = "" if self._cut == 1 else "s"
        log.warning("page: ended %d connection%s that asked nothing in time, the last from %s", self._cut, s, address)
        self._cut = 0
        self._telling = self.call_later(TOLD_EVERY_S, lambda: self._tell(address))

    def close(self) -> None:
        """Cancel every timer."""
        if self._telling is not None:
            self._telling.cancel()
        for caller in list(self._all):
            caller.gone()


def network(address: str) -> str:
    """What counts as one caller's address: an IPv6 host may take any address of its /64 (RFC 4291, section 2.5.1)."""
    try:
        found = ipaddress.ip_address(address.partition("%")[0])
    except ValueError:
        return address
    return str(ipaddress.ip_network((found, 64), strict=False)) if found.version == 6 else address


def caller_of(scope: MutableMapping[str, Any]) -> Caller | None:
    """The caller whose connection carries a request; None where there is none (a test's own request)."""
    found = (scope.get("state") or {}).get(CALLER)
    return found if isinstance(found, Caller) else None


def note_known(scope: MutableMapping[str, Any]) -> None:
    """Mark the caller of a request as authorised: its connection stays, however many unknown callers connect."""
    caller = caller_of(scope)
    if caller is not None:
        caller.known()
