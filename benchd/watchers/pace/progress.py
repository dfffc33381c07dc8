"""How far a caster is with a pour: as marked mold by mold, else by the clock; and this pour's own pace."""

from __future__ import annotations

from dataclasses import dataclass, field

from benchd.stored import stored

PRIOR_S = 30.0  # two molds at the usual pace weigh as much as two just seen: common practice, no source
SLOWEST, QUICKEST = 2.0, 0.5
DAWDLE = 1.6  # times the usual: what takes longer is an interruption, or a mark that came late


@dataclass(frozen=True, slots=True)
class Hand:
    """What the caster is at: the mold in hand takes takes_s and is full at full_t [unix s]; the next one takes next_s.

    next_s is None if none is left; before: how many are full already.
    """

    full_t: float
    takes_s: float
    next_s: float | None
    before: int = 0


@stored("pour-progress")
@dataclass(slots=True)
class Progress:
    """One pour: (mold, seconds it takes) in pouring order; when the one in hand began, when all were full [unix s]."""

    mix_end_t: float
    pours_s: tuple[tuple[str, float], ...] = ()
    filled: list[str] = field(default_factory=list)
    begun_t: float = 0.0
    done_t: float | None = None
    expected_s: float = 0.0
    taken_s: float = 0.0
    is_marked_full: bool = False

    def fill(self, mold: str | None, t: float, left: int) -> None:
        """A mold is full at t; so many are left."""
        usual_s = dict(self.pours_s).get(mold or "")
        if mold is not None and usual_s is not None and mold not in self.filled:
            begun_t = self.begun_t if self.filled else self.mix_end_t
            if t > begun_t:
                self.taken_s += min(t - begun_t, DAWDLE * usual_s)
                self.expected_s += usual_s
            self.filled.append(mold)
        self.begun_t = t
        if left == 0:
            self.done_t, self.is_marked_full = t, True

    @property
    def pace(self) -> float:
        """This pour's times over the usual: 1 until a mold was marked, then drawn towards what was seen."""
        return min(max((PRIOR_S + self.taken_s) / (PRIOR_S + self.expected_s), QUICKEST), SLOWEST)

    def first_t(self, unnamed_s: float) -> float:
        """When the first mold is full at the usual pace [unix s]; unnamed_s: a mold's time where none is named [s]."""
        return self.mix_end_t + (self.pours_s[0][1] if self.pours_s else unnamed_s)

    def hand(self, t: float, unnamed_s: float) -> Hand | None:
        """What is in hand at t; None once all are full, by mark or (if none was marked) by the clock.

        unnamed_s: a mold's time where the pour names none; then one more is always left.
        """
        if self.done_t is not None:
            return None
        begun_t, is_seen = (self.begun_t, True) if self.filled else (self.mix_end_t, False)
        left_s = [s * self.pace for mold, s in self.pours_s if mold not in self.filled]
        if not self.pours_s:
            return Hand(max(begun_t, t) + unnamed_s, unnamed_s, unnamed_s, len(self.filled))
        while not is_seen and left_s and t >= begun_t + left_s[0]:
            begun_t += left_s.pop(0)
        if not left_s:
            return None
        before = len(self.pours_s) - len(left_s)
        return Hand(begun_t + left_s[0], left_s[0], left_s[1] if len(left_s) > 1 else None, before)

    def full_t(self, t: float) -> float | None:
        """When the last mold was full, as marked or by the clock; None while there is one in hand, or none is named."""
        if self.done_t is not None:
            return self.done_t
        if self.filled or not self.pours_s:
            return None
        by_clock_t = self.mix_end_t + sum(s for _, s in self.pours_s)
        return by_clock_t if by_clock_t <= t else None
