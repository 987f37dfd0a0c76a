"""Series in pieces, as a store keeps them: raw rows of what just came, and the cuts between blobs. Pure."""

from __future__ import annotations

import struct
from typing import TYPE_CHECKING, Final

import numpy as np

from collector.signals import Series, Trace
from collector.trace.blobs import BlobError
from collector.words import later

if TYPE_CHECKING:
    from collections.abc import Iterator

BLOB_READINGS: Final = 8192
"""Readings in a full blob: 14 minutes of motor current at 10 Hz."""

_COUNTS: Final = struct.Struct("<4I")


def pack(trace: Trace) -> bytes:
    """A trace as raw bytes for a hot row: four counts, then times and values a signal."""
    series = trace.series()
    parts = [_COUNTS.pack(*map(len, series))]
    for s in series:
        parts += (s.t.astype("<i8", copy=False).tobytes(), s.v.astype("<i4", copy=False).tobytes())
    return b"".join(parts)


def unpack(data: bytes) -> Trace:
    """The trace that `pack` was given.

    Raises:
        BlobError: the bytes were damaged.
    """
    at = _COUNTS.size
    found = []
    if len(data) < at or len(data) != at + 12 * sum(_COUNTS.unpack_from(data)):
        raise BlobError(later("a row of fresh readings is damaged: it has another length than it says"))
    for count in _COUNTS.unpack_from(data):
        t = np.frombuffer(data, "<i8", count, at)
        v = np.frombuffer(data, "<i4", count, at + 8 * count)
        at += 12 * count
        found.append(Series(t, v))
    return Trace(*found)


def union(parts: list[Series]) -> Series:
    """The union of series; of two readings at the same time the earlier part's stays."""
    parts = [part for part in parts if len(part)]
    if len(parts) < 2:
        return parts[0] if parts else Series.empty()
    return Series.of(np.concatenate([p.t for p in parts]), np.concatenate([p.v for p in parts]))


def full(series: Series) -> Iterator[Series]:
    """Full blobs and a rest, for readings that follow the others: the next ones find the rest to grow."""
    for i in range(0, len(series), BLOB_READINGS):
        yield Series(series.t[i : i + BLOB_READINGS], series.v[i : i + BLOB_READINGS])


def even(series: Series) -> Iterator[Series]:
    """Blobs of even size, for readings that fell into a blob: each has room for more of them."""
    count = -(-len(series) // BLOB_READINGS)
    for t, v in zip(np.array_split(series.t, count), np.array_split(series.v, count), strict=True):
        yield Series(t, v)
