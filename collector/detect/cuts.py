"""From passages under load to cuts: short returns to idle are pauses of feed, short rises are no cuts."""

from __future__ import annotations

from collector.detect.segments import Passage

_EVIDENCE = 45.0  # a cut's squared rise, in variances of its mean: less is noise


class Joiner:
    """Joins passages that a pause of feed parts, and leaves out bumps.

    Args:
        pause_us: a return to idle shorter than this does not split a cut.
        bump_us: a cut is at least this long.
        floor_ma: ... and its mean stands at least this far above idle.
    """

    __slots__ = ("_bump", "_floor", "_held", "_pause")

    def __init__(self, pause_us: int, bump_us: int, floor_ma: int) -> None:
        self._pause, self._bump, self._floor = pause_us, bump_us, floor_ma
        self._held: Passage | None = None

    def feed(self, passages: list[Passage], earliest: int | None) -> list[Passage]:
        """Takes passages in order of start, returns cuts that are certain.

        Args:
            passages: the next ones.
            earliest: µs before which no later passage can start; None: there are no more.
        """
        done: list[Passage] = []
        for p in passages:
            if self._held is not None and p.start - self._held.end < self._pause and p.start > self._held.start:
                self._held = _joined(self._held, p)
            else:
                self._release(done)
                self._held = p
        if self._held is not None and (earliest is None or earliest - self._held.end >= self._pause):
            self._release(done)
        return done

    def ahead(self, passages: list[Passage], earliest: int | None) -> list[Passage]:
        """What `feed` would return, without taking anything."""
        twin = Joiner(self._pause, self._bump, self._floor)
        twin._held = self._held
        return twin.feed(passages, earliest)

    def _release(self, done: list[Passage]) -> None:
        p, self._held = self._held, None
        if p is None or not p.n or p.end - p.start < self._bump:
            return
        rise = p.total / p.n - p.idle
        if rise >= self._floor and rise * rise * p.n >= _EVIDENCE * p.sigma * p.sigma:
            done.append(p)

    @property
    def held_from(self) -> int | None:
        """Start of the passage that may still grow."""
        return None if self._held is None else self._held.start


def _joined(a: Passage, b: Passage) -> Passage:
    idle = (a.idle + b.idle) / 2
    total, n = a.total + b.total, a.n + b.n
    sigma = max(a.sigma, b.sigma)
    return Passage(a.start, b.end, total, n, max(a.top, b.top), idle, a.seen, min(a.low, b.low), sigma=sigma)
