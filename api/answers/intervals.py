"""Half-open intervals of integer microseconds, and the set operations on them.

A set of intervals is an int64 array of shape (n, 2), a row ``[start, end)`` each, in order of time, disjoint
and not touching: ``[1, 2)`` and ``[2, 3)`` are one row ``[1, 3)``. `spans` makes such an array from anything;
every other function here takes and returns arrays of that form, and lasts O((n + m) log (n + m)).

Example:
    >>> shift, cuts = spans([(0, 100)]), spans([(90, 120), (10, 20), (15, 30)])
    >>> intersect(shift, cuts).tolist()
    [[10, 30], [90, 100]]
    >>> total(subtract(shift, cuts))
    70
"""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import NDArray

if TYPE_CHECKING:
    from collections.abc import Iterable

Spans = NDArray[np.int64]
"""An (n, 2) array of disjoint half-open intervals, as this module describes."""

NOTHING: Spans = np.empty((0, 2), np.int64)
"""The empty set."""
NOTHING.setflags(write=False)


def spans(rows: Iterable[tuple[int, int]] | NDArray[np.int64]) -> Spans:
    """The union of intervals in any order; rows that end at or before their start are empty and drop out."""
    array = np.asarray(rows if isinstance(rows, np.ndarray) else list(rows), np.int64).reshape(-1, 2)
    array = array[array[:, 1] > array[:, 0]]
    if len(array) < 2:
        return array
    array = array[np.argsort(array[:, 0], kind="stable")]
    reach = np.maximum.accumulate(array[:, 1])
    first = np.concatenate(([True], array[1:, 0] > reach[:-1]))
    last = np.concatenate((first[1:], [True]))
    return np.column_stack((array[first, 0], reach[last]))


def inside(a: Spans, t: NDArray[np.int64]) -> NDArray[np.bool_]:
    """For each time of ``t``, whether it lies in ``a`` (a start does, an end does not)."""
    # The bounds of a set are strictly increasing, so an odd number of them at or before t means "in".
    return np.asarray(np.searchsorted(a.ravel(), t, side="right") & 1, np.bool_)


def bounds(*sets: Spans) -> NDArray[np.int64]:
    """All bounds of some sets in order; one that they share stands there more than once."""
    points = np.concatenate([a.ravel() for a in sets])
    points.sort(kind="stable")  # sets are in order already: merged, not sorted
    return points


def runs_of(points: NDArray[np.int64], keep: NDArray[np.bool_]) -> Spans:
    """The set of those pieces ``[points[i], points[i + 1])`` for which ``keep[i]``.

    ``points`` do not decrease, and pieces that start together are kept or left together.
    """
    edge = np.diff(np.concatenate(([0], keep.astype(np.int8), [0])))
    return np.column_stack((points[edge == 1], points[edge == -1]))


def union(a: Spans, b: Spans) -> Spans:
    """What lies in ``a`` or in ``b``."""
    return spans(np.concatenate((a, b)))


def intersect(a: Spans, b: Spans) -> Spans:
    """What lies in both."""
    points = bounds(a, b)
    return runs_of(points, (inside(a, points) & inside(b, points))[:-1]) if len(points) else NOTHING


def subtract(a: Spans, b: Spans) -> Spans:
    """What lies in ``a`` and not in ``b``."""
    points = bounds(a, b)
    return runs_of(points, (inside(a, points) & ~inside(b, points))[:-1]) if len(points) else NOTHING


def clip(a: Spans, start: int, end: int) -> Spans:
    """What of ``a`` lies in ``[start, end)``."""
    return spans(np.clip(a, start, max(start, end)))


def total(a: Spans) -> int:
    """How long ``a`` lasts in all, in microseconds."""
    return int((a[:, 1] - a[:, 0]).sum())


def total_by_bucket(a: Spans, edges: NDArray[np.int64]) -> NDArray[np.int64]:
    """Microseconds that ``a`` lasts in each bucket ``[edges[i], edges[i + 1])``; shape (len(edges) - 1,)."""
    lasted = np.concatenate(([0], np.cumsum(a[:, 1] - a[:, 0])))
    i = np.searchsorted(a[:, 0], edges, side="right")  # intervals begun at or before each edge
    over = np.zeros(len(edges), np.int64)
    begun = i > 0
    over[begun] = np.maximum(a[i[begun] - 1, 1] - edges[begun], 0)  # what of the last one lies after the edge
    return np.diff(lasted[i] - over)
