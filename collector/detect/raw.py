"""The newest raw samples of one run: what smoothing takes away is looked for here."""

from __future__ import annotations

from collections import deque
from typing import Any

import numpy as np
from numpy.typing import NDArray

from collector.facts import SECOND

Ints = NDArray[np.int64]

SELDOM_US = SECOND // 2
"""Samples of a running motor come closer together than this."""
_KEPT_US = 12 * SECOND  # to look at the stop
_NEWEST = 4  # arrays kept in any case
BURST_BEFORE_US, _BURST_AFTER_US = 400_000, 300_000  # where a switching spike is sought round a step


class Raw:
    """Raw samples as they came, µs and mA; the oldest are dropped.

    It knows nobody who asks it, so that a run that is over leaves memory at once and not when Python next looks for
    cycles, hours later.
    """

    def __init__(self) -> None:
        self._parts: deque[tuple[Ints, Ints]] = deque()

    def __getstate__(self) -> dict[str, Any]:
        # A state is written often, and one array is written faster than a dozen small ones.
        return {"_parts": deque([self.since(0)] if self._parts else [])}

    def add(self, t: Ints, ma: Ints) -> None:
        """Takes samples; at least one."""
        self._parts.append((t, ma))

    def drop_before(self, t: int) -> None:
        """Drops what is older than a time (µs) and than what the look at the stop needs."""
        needed = min(self.newest_at - _KEPT_US, t)
        while len(self._parts) > _NEWEST and int(self._parts[0][0][-1]) < needed:
            self._parts.popleft()

    @property
    def newest_at(self) -> int:
        """µs of the newest sample."""
        return int(self._parts[-1][0][-1])

    def newest(self, n: int) -> tuple[Ints, Ints]:
        """The newest n samples (fewer if there are fewer; at most `_NEWEST`)."""
        newest = self._parts[-1]
        if len(newest[0]) < n:
            parts = list(self._parts)[-n:]  # none is empty
            newest = np.concatenate([p[0] for p in parts]), np.concatenate([p[1] for p in parts])
        return newest[0][-n:], newest[1][-n:]

    def since(self, start: int) -> tuple[Ints, Ints]:
        """The samples from a time (µs) on."""
        parts = [(t, ma) for t, ma in self._parts if t.item(-1) >= start]
        if not parts:
            return np.empty(0, np.int64), np.empty(0, np.int64)
        t, ma = parts[0]
        if len(parts) > 1:
            t, ma = np.concatenate([p[0] for p in parts]), np.concatenate([p[1] for p in parts])
        i = t.searchsorted(start)
        return t[i:], ma[i:]

    def burst(self, at: int, until: int) -> int:
        """The highest sample (mA) round a step at a time, and before another (µs)."""
        t, ma = self.since(at - BURST_BEFORE_US)
        return max(ma[: t.searchsorted(min(until, at + _BURST_AFTER_US))].tolist(), default=0)  # a handful
