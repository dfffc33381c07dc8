"""Decides whether a channel fell silent alone or with its whole board, which is then the one to name.

Rules.  1. A source that reports itself down is gone with all its channels.  2. Channels of one source that were last
heard together, and are overdue together, are silent for one reason; one that was heard since is not among them.
3. If nothing of the source was heard since, the source is gone; else it may be one board of several on a broker: the
channels that share the beginning of their SenML name, up to a separator, and of which none was heard since nor is gone
with another board.  4. A channel that is silent alone, or whose fellows had been lost before, is named itself.
"""

from __future__ import annotations

import math
import re
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, field

from benchd.core.bench import Channel
from benchd.core.findings import BoardGone
from benchd.core.model import Subject
from benchd.stored import stored
from benchd.watchers.sensors.ear import Ear

TOGETHER_S = 1.5  # common practice, no source: a board sends all it reads within a second
OVERDUE_PERIODS = 2.0  # common practice, no source: one lost line is bad luck


@stored("sensors-boards")
@dataclass(slots=True)
class Boards:
    """The boards that are gone: name -> (source, beginning of its channels' SenML names, "" for the whole source)."""

    gone: dict[str, tuple[str, str]] = field(default_factory=dict)

    def name_of(self, channel: Channel) -> str:
        """The name of the board that is gone with this channel, "" if none is."""
        if not self.gone:  # nearly always: each reading asks
            return ""
        found = (n for n, (source, start) in self.gone.items() if _is_of(channel, source, start))
        return next(found, "")

    def lose(self, ear: Ear, ears: Iterable[Ear], t: float, *, is_down: bool) -> str:
        """The name of the board with which this channel is lost, kept as gone from now on; "" if it is lost alone."""
        source = ear.channel.source
        fellows = [e for e in ears if e.channel.source == source and e is not ear]
        if is_down:
            return self._keep(source, source, "") if fellows else ""
        alive = [e for e in fellows if _heard_t(e) > _heard_t(ear) + TOGETHER_S]
        overdue = [e for e in fellows if e not in alive and not (e.silent or e.faulty) and _is_overdue(e, t)]
        apart = [*alive, *(e for e in fellows if e.with_board)]
        if not apart:
            return self._keep(source, source, "") if overdue else ""
        for start in _starts(ear.channel.senml):
            if any(e.channel.senml.startswith(start) for e in apart):
                continue
            shared = any(e.channel.senml.startswith(start) for e in overdue)
            return self._keep(_name(start), source, start) if shared else ""
        return ""

    def _keep(self, name: str, source: str, start: str) -> str:
        self.gone[name] = (source, start)
        return name

    def finding(self, name: str, channels: Mapping[str, Channel], where: Subject, t: float, why: str) -> BoardGone:
        """The finding about a board that is gone; its subject names a pot or cup if it measures just one."""
        source, start = self.gone[name]
        of = [c for c in channels.values() if _is_of(c, source, start)]
        subject = where.filled(source=name, pot=_only(of, "pot_pressure"), cup=_only(of, "cup_temperature"))
        return BoardGone(t=t, subject=subject, channels=tuple(c.id for c in of), why=why, active=True)


def _is_of(channel: Channel, source: str, start: str) -> bool:
    return channel.source == source and channel.senml.startswith(start)


def _heard_t(ear: Ear) -> float:
    return -math.inf if ear.heard_t is None else ear.heard_t


def _is_overdue(ear: Ear, t: float) -> bool:
    return t - _heard_t(ear) >= OVERDUE_PERIODS * ear.channel.period_s


def _starts(senml: str) -> Sequence[str]:
    """The beginnings of a SenML name up to each separator, shortest first.

    >>> _starts("b1-cup-1")
    ['b1-', 'b1-cup-']
    """
    return [senml[: found.end()] for found in re.finditer(r"[-:./_]", senml)]


def _name(start: str) -> str:
    """A name for a topic's level: the beginning without its separator."""
    return re.sub(r"[^0-9A-Za-z_-]", "-", start[:-1])


def _only(channels: Iterable[Channel], role: str) -> str | None:
    found = list(dict.fromkeys(c.of for c in channels if c.role == role))
    return found[0] if len(found) == 1 else None
