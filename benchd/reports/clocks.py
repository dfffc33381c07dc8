"""Prints a span of time as a clock shows it."""

from __future__ import annotations


def clock(seconds: float) -> str:
    """ "2:24" from 144 s, "-0:30", "1:02:05"; to the nearest second."""
    sign, whole = ("-" if seconds <= -0.5 else ""), round(abs(seconds))
    hours, rest = divmod(whole, 3600)
    minutes, left = divmod(rest, 60)
    return f"{sign}{hours}:{minutes:02d}:{left:02d}" if hours else f"{sign}{minutes}:{left:02d}"
