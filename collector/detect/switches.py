"""What a switch said and when: bounce removed, silence known as unknown."""

from __future__ import annotations

from bisect import bisect_right
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    import numpy as np
    from numpy.typing import NDArray


class SwitchLog:
    """The positions of one switch over time.

    Args:
        debounce_us: a position held for less than this is bounce.
        stale_us: after this long without a report the position is unknown.
    """

    __slots__ = ("_debounce", "_stale", "_t", "_v", "heard")

    def __init__(self, debounce_us: int, stale_us: int) -> None:
        self._debounce, self._stale = debounce_us, stale_us
        self._t: list[int] = []  # times of change
        self._v: list[int | None] = []  # position from then on
        self.heard: int | None = None  # newest report

    def feed(self, t: NDArray[np.int64], v: NDArray[np.int32]) -> None:
        """Takes reports in order of time (µs) and their values."""
        if not len(t):
            return
        if len(t) > 8:  # most reports repeat the position: look only at those that do not, or come late
            (news,) = ((v[1:] != v[:-1]) | (t[1:] - t[:-1] > self._stale)).nonzero()
            self._take(t.item(0), v.item(0))
            for before, at, value in zip(t[news].tolist(), t[news + 1].tolist(), v[news + 1].tolist(), strict=True):
                self.heard = before
                self._take(at, value)
            self.heard = t.item(-1)
        else:
            for at, value in zip(t.tolist(), v.tolist(), strict=True):
                self._take(at, value)

    def _take(self, at: int, value: int) -> None:
        if self.heard is not None and at - self.heard > self._stale:
            self._change(self.heard + self._stale, None)
        self._change(at, value)
        self.heard = at

    def _change(self, at: int, value: int | None) -> None:
        if not self._v or self._v[-1] != value:
            self._t.append(at)
            self._v.append(value)

    def spells(self, start: int, end: int) -> list[tuple[int, int, int | None]]:
        """(from, to, position) without holes over ``start..end`` (µs), bounce left in; None where unknown."""
        found: list[tuple[int, int, int | None]] = []
        limit = self.heard + self._stale if self.heard is not None else start
        edges = [*self._t, limit]
        at = start
        for k in range(max(0, bisect_right(self._t, start) - 1), bisect_right(self._t, end)):
            lo, hi = max(edges[k], start), min(edges[k + 1], end)
            if hi > lo:
                if lo > at:
                    found.append((at, lo, None))
                found.append((lo, hi, self._v[k]))
                at = hi
        if at < end:
            found.append((at, end, None))
        return found

    def share(self, start: int, end: int) -> dict[int | None, int]:
        """How long (µs) the switch was in each position in the period."""
        k = bisect_right(self._t, start)
        if k and self.heard is not None and end <= self.heard + self._stale and k == bisect_right(self._t, end):
            return {self._v[k - 1]: end - start}  # it did not move
        shares: dict[int | None, int] = {}
        for lo, hi, value in self.spells(start, end):
            shares[value] = shares.get(value, 0) + hi - lo
        return shares

    def at(self, when: int) -> int | None:
        """The newest position at a time, None if unknown."""
        if self.heard is None or when >= self.heard + self._stale:
            return None
        k = bisect_right(self._t, when)
        return self._v[k - 1] if k else None

    def steady(self, value: int, now: int) -> list[tuple[int, int | None]]:
        """Periods (start, end) in that position, shorter interruptions than the bounce time ignored.

        The last may be open (end None); one younger than the bounce time at ``now`` is not counted yet.
        """
        periods: list[tuple[int, int | None]] = []
        if value not in self._v:
            return periods
        silent = None if self.heard is None or now - self.heard <= self._stale else self.heard + self._stale
        for k, v in enumerate(self._v):
            start, end = self._t[k], self._t[k + 1] if k + 1 < len(self._t) else silent
            if v != value:
                continue
            if periods and periods[-1][1] is not None and start - periods[-1][1] < self._debounce:
                periods[-1] = (periods[-1][0], end)
            else:
                periods.append((start, end))
        return [(a, b) for a, b in periods if (now if b is None else b) - a >= self._debounce]

    def settled(self, value: int, when: int) -> bool:
        """Whether the switch has been out of that position for longer than the bounce time before ``when``."""
        return all(v != value for _, _, v in self.spells(when - self._debounce, when + 1))

    def forget(self, before: int) -> None:
        """Drops changes that no question about times from ``before`` on needs."""
        while len(self._t) > 1 and self._t[1] <= before:
            self._t.pop(0)
            self._v.pop(0)
