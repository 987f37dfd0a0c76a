"""Braking time, judged from the current by itself: how long the blade takes from switching off to standstill.

One measurement says little (a brake current that fades into noise), so the middle of the last three counts, with a
deadband so that a value near the limit does not flutter.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from collector.facts import SECOND

if TYPE_CHECKING:
    from numpy.typing import NDArray

LIMIT = 4 * SECOND
"""The blade stands still within 4 s of switching off: common practice, no source. The machine's manual comes first."""

BACK = 38 * SECOND // 10
"""Below this a slow brake counts as well again."""

OF = 3
"""So many measurements are looked at together."""


def middles(stops: NDArray[np.int64]) -> tuple[NDArray[np.int64], NDArray[np.int64]]:
    """Times of the third and later measurements and the median of the three up to each, microseconds.

    Args:
        stops: shape (n, 2): time of switching off, microseconds to standstill; in order of time.
    """
    if len(stops) < OF:
        return np.empty(0, np.int64), np.empty(0, np.int64)
    threes = np.lib.stride_tricks.sliding_window_view(stops[:, 1], OF)
    return stops[OF - 1 :, 0] + stops[OF - 1 :, 1], np.median(threes, axis=1).astype(np.int64)


def slow(stops: NDArray[np.int64], limit: int = LIMIT, back: int = BACK) -> list[tuple[int, int | None, int]]:
    """Stretches (start, end or None, highest median) in which the blade took too long to stop."""
    found: list[tuple[int, int | None, int]] = []
    start, worst = None, 0
    for t, middle in zip(*(a.tolist() for a in middles(stops)), strict=True):
        if start is None and middle > limit:
            start, worst = t, middle
        elif start is not None:
            worst = max(worst, middle)
            if middle <= back:
                found.append((start, t, worst))
                start = None
    return found if start is None else [*found, (start, None, worst)]


def passed(stops: NDArray[np.int64], start: int, end: int, limit: int = LIMIT) -> int | None:
    """When the braking time was seen to be in order between two times; None: it was not, or could not be seen."""
    inside = stops[(stops[:, 0] >= start) & (stops[:, 0] < end)]
    times, medians = middles(inside)
    good = np.flatnonzero(medians <= limit)
    return int(times[good[0]]) if len(good) else None
