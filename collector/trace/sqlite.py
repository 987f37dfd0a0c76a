"""The trace in one SQLite file: what a shop needs, with no server.

Readings live in two tables. ``hot`` takes what has just come, one row a saw and commit, raw: a commit then
writes one small row, not a blob again and again. When a saw has enough of them they move, in one
transaction, into ``blob``: some thousand readings of one signal, encoded by `collector.trace.blobs`. Blobs
of a signal never overlap in time, so a reader needs only those that touch its period, and old ones can be
dropped whole. Readings that come late go into the blob whose time they fall in. Of days that have aged out ``minute``
keeps a row a signal and day.

One process writes; any number read, each sees whole commits only.
"""

from __future__ import annotations

import struct
import threading
from itertools import pairwise
from typing import TYPE_CHECKING, Final, Self

import numpy as np

from collector.signals import SIGNALS, Series, Trace, merge
from collector.trace import blobs
from collector.trace.pieces import BLOB_READINGS, even, full, pack, union, unpack
from collector.trace.slices import DAY_US, Minutes, Slices, joined, spans
from collector.trace.sqlite_file import SqliteFile

if TYPE_CHECKING:
    from collections.abc import Collection, Iterable, Mapping
    from pathlib import Path

HOT_READINGS: Final = 4096
HOT_ROWS: Final = 256
"""A saw's hot rows move into blobs at this many readings or rows."""

_TIDY_ROWS: Final = 64
_TIDY_PAGES: Final = 64
"""Of minutes and of free pages so many go in one step: a commit waits for one step at most."""

# Blobs of (saw, signal) that touch start..end: those that begin in it, and the one before it.
_LATEST: Final = 2**63 - 1
_TOUCHING: Final = """
FROM blob WHERE saw = :saw AND signal = :signal AND first <= :end AND first >= coalesce(
  (SELECT max(first) FROM blob WHERE saw = :saw AND signal = :signal AND first <= :start), :start)
"""


class SqliteTrace:
    """A `collector.trace.store.TraceStore` in a file. Safe to use from several threads.

    Args:
        path: the file; made if it is missing, unless ``readonly``.
        readonly: only read, as the API does in its own process.

    Raises:
        TraceError: the file is missing (``readonly``), is no trace file, is of a newer layout, or cannot be
        opened.
    """

    def __init__(self, path: Path | str, *, readonly: bool = False) -> None:
        self._lock = threading.RLock()
        self._pending: dict[str, list[Trace]] = {}
        self._ids: dict[str, int] = {}
        self._hot: dict[int, tuple[int, int]] = {}
        self._file = SqliteFile(path, readonly=readonly, undone=self._forget)
        self._db = self._file.db

    def __enter__(self) -> Self:
        return self

    def __exit__(self, *_: object) -> None:
        self.close()

    def close(self) -> None:
        """Let go of the file; what was not committed is dropped."""
        with self._lock:
            self._pending.clear()
            self._db.close()

    def write(self, saw: str, trace: Trace) -> None:
        """Add readings; safe after `commit`, until then seen by this object alone.

        Raises:
            ValueError: a time is beyond what a blob can hold, 2^60 microseconds from 1970.
        """
        if not len(trace):
            return
        if trace.first < -blobs.FARTHEST or trace.last > blobs.FARTHEST:
            raise ValueError("a reading is more than 36 000 years away from 1970")
        with self._lock:
            self._pending.setdefault(saw, []).append(trace)

    def commit(self) -> None:
        """Put all that was written on the disk, as one transaction.

        Raises:
            TraceError: it could not be done; what was written is kept, and another `commit` tries again.
        """
        with self._lock:
            if not self._pending:
                return
            with self._file.clear_errors(), self._file.transaction("IMMEDIATE"):
                for saw, traces in self._pending.items():
                    self._add(self._id_made(saw), merge(traces))
            self._pending.clear()

    def read(self, saw: str, start_us: int, end_us: int, signals: Collection[str] = SIGNALS) -> Trace:
        """The readings with ``start_us <= t < end_us`` of these signals.

        Raises:
            TraceError: the file is damaged or out of reach.
        """
        with self._lock:
            pending = list(self._pending.get(saw, ()))
            packed: list[tuple[str, bytes]] = []
            hot: list[bytes] = []
            with self._file.clear_errors(), self._file.transaction("DEFERRED"):
                if (known := self._id(saw)) is not None:
                    for signal in signals:
                        span = {"saw": known, "signal": signal, "start": start_us, "end": end_us - 1}
                        query = f"SELECT data {_TOUCHING} AND last >= :start ORDER BY first"
                        packed += ((signal, data) for (data,) in self._db.execute(query, span))
                    hot = self._file.column(
                        "SELECT data FROM hot WHERE saw = ? AND last >= ? AND first < ? ORDER BY id",
                        known, start_us, end_us,
                    )  # fmt: skip
        # Decoding needs no lock: other threads go on meanwhile.
        columns: dict[str, list[Series]] = {signal: [] for signal in SIGNALS}
        with self._file.clear_errors():
            for signal, data in packed:
                columns[signal].append(blobs.decode(data))
        for trace in (*(unpack(data) for data in hot), *pending):
            for signal, series in zip(SIGNALS, trace.series(), strict=True):
                if signal in signals:
                    columns[signal].append(series)
        return Trace(*(union(parts).between(start_us, end_us) for parts in columns.values()))

    def first(self, saw: str, from_us: int = 0) -> int | None:
        """Time of the saw's earliest reading at or after ``from_us``, None if there is none."""
        with self._lock, self._file.clear_errors():
            found = list(self._pending.get(saw, ()))
            series: list[Series] = []
            if (known := self._id(saw)) is not None:
                query = "SELECT data FROM hot WHERE saw = ? AND last >= ?"
                found += (unpack(data) for data in self._file.column(query, known, from_us))
                for signal in SIGNALS:
                    span = {"saw": known, "signal": signal, "start": from_us, "end": _LATEST}
                    query = f"SELECT data {_TOUCHING} AND last >= :start ORDER BY first LIMIT 1"
                    series += (blobs.decode(data) for (data,) in self._db.execute(query, span))
            series += (s for trace in found for s in trace.series())
            times = (s.t[s.t.searchsorted(from_us) :] for s in series)
            return min((int(t[0]) for t in times if len(t)), default=None)

    def last(self, saw: str) -> int | None:
        """Time of the saw's newest reading, None if there is none."""
        with self._lock, self._file.clear_errors():
            found = [trace.last for trace in self._pending.get(saw, ())]
            if (known := self._id(saw)) is not None:
                found += self._file.column("SELECT last FROM hot WHERE saw = ?", known)
                for signal in SIGNALS:
                    query = "SELECT last FROM blob WHERE saw = ? AND signal = ? ORDER BY first DESC LIMIT 1"
                    found += self._file.column(query, known, signal)
            return max(found, default=None)

    def slices(self, saw: str, start_us: int, end_us: int, width_us: int) -> Slices:
        """The motor's readings with ``start_us <= t < end_us``, in slices that begin at ``start_us``."""
        return Slices.of(self.read(saw, start_us, end_us, ("motor",)).motor, start_us, width_us)

    def complete_from(self, saw: str) -> int:
        """From this time on all readings are kept, of those before it minutes; 0: no day has aged."""
        with self._lock, self._file.clear_errors():
            known = self._id(saw) if self._file.has_minutes() else None
            return sum(self._file.column("SELECT until FROM aged WHERE saw = ?", known)) if known is not None else 0

    def minutes(self, saw: str, start_us: int, end_us: int) -> dict[str, Minutes]:
        """By signal, the kept minutes that begin in the period."""
        found: dict[str, list[Minutes]] = {}
        query = "SELECT signal, data FROM minute WHERE saw = ? AND day >= ? AND day < ? ORDER BY day"
        with self._lock, self._file.clear_errors():
            known = self._id(saw) if self._file.has_minutes() else None
            if known is not None:
                for signal, data in self._db.execute(query, (known, start_us // DAY_US * DAY_US, end_us)):
                    if len(part := _minutes_in(data).between(start_us, end_us)):
                        found.setdefault(signal, []).append(part)
        return {signal: joined(parts) for signal, parts in found.items()}

    def write_minutes(self, saw: str, minutes: Mapping[str, Minutes], until_us: int) -> None:
        """Keep minutes of days that are over at ``until_us``, and drop the readings before it, in one transaction.

        Raises:
            TraceError: it could not be done, and nothing was.
        """
        span = spans(minutes)
        with self._lock, self._file.clear_errors(), self._file.transaction("IMMEDIATE"):
            known = self._id_made(saw)
            for day in range(span[0] // DAY_US * DAY_US, span[1] + 1, DAY_US) if span else ():
                for signal, held in minutes.items():
                    if len(part := held.between(day, day + DAY_US)):
                        row = (known, signal, day, _minutes_out(part))
                        self._db.execute("INSERT OR REPLACE INTO minute VALUES (?, ?, ?, ?)", row)
            self._drop(known, until_us)
            self._db.execute(
                "INSERT INTO aged VALUES (?, ?) ON CONFLICT (saw) DO UPDATE SET until = max(until, excluded.until)",
                (known, until_us),
            )

    def tidy(self, before_us: int) -> bool:
        """Forget a few days of minutes before a time, or give a few free pages back; whether there is more to do.

        Raises:
            TraceError: it could not be done.
        """
        with self._lock, self._file.clear_errors():
            gone = self._db.execute(
                "DELETE FROM minute WHERE (saw, signal, day) IN "
                "(SELECT saw, signal, day FROM minute WHERE day < ? LIMIT ?)",
                (before_us // DAY_US * DAY_US, _TIDY_ROWS),
            ).rowcount
            if gone:
                return True
            # The pragma does a page each time it is asked for a row.
            self._db.execute(f"PRAGMA incremental_vacuum({_TIDY_PAGES})").fetchall()
            return self._file.pragma("freelist_count") > 0

    def bytes_since(self, from_us: int) -> int:
        """How many bytes the readings of all saws take that are newer than a time, but for the newest few."""
        with self._lock, self._file.clear_errors():
            return sum(self._file.column("SELECT coalesce(sum(length(data)), 0) FROM blob WHERE first >= ?", from_us))

    def stored(self, saw: str) -> int:
        """How many readings of a saw are on the disk."""
        query = "SELECT coalesce(sum(readings), 0) FROM {} WHERE saw = ?"
        with self._lock, self._file.clear_errors():
            return sum(sum(self._file.column(query.format(table), self._id(saw) or 0)) for table in ("blob", "hot"))

    def saws(self) -> list[str]:
        """The saws that have readings, in alphabetical order."""
        with self._lock, self._file.clear_errors():
            return sorted({*self._pending, *self._file.column("SELECT name FROM saw")})

    def _forget(self) -> None:
        self._ids.clear()
        self._hot.clear()

    def _add(self, saw: int, trace: Trace) -> None:
        if saw not in self._hot:
            query = "SELECT count(*), coalesce(sum(readings), 0) FROM hot WHERE saw = ?"
            self._hot[saw] = self._db.execute(query, (saw,)).fetchone()
        rows, readings = self._hot[saw]
        if rows + 1 < HOT_ROWS and readings + len(trace) < HOT_READINGS:
            self._db.execute(
                "INSERT INTO hot SELECT :saw, coalesce(max(id), 0) + 1, :first, :last, :readings, :data "
                "FROM hot WHERE saw = :saw",
                {
                    "saw": saw,
                    "first": trace.first,
                    "last": trace.last,
                    "readings": len(trace),
                    "data": pack(trace),
                },
            )
            self._hot[saw] = rows + 1, readings + len(trace)
            return
        hot = [unpack(data) for data in self._file.column("SELECT data FROM hot WHERE saw = ? ORDER BY id", saw)]
        for signal, series in zip(SIGNALS, merge([*hot, trace]).series(), strict=True):
            if len(series):
                self._place(saw, signal, series)
        self._db.execute("DELETE FROM hot WHERE saw = ?", (saw,))
        self._hot[saw] = 0, 0

    def _place(self, saw: int, signal: str, series: Series) -> None:
        """Put each reading into the blob that begins at or before it, or after that one if it is full."""
        span = {"saw": saw, "signal": signal, "start": int(series.t[0]), "end": int(series.t[-1])}
        query = f"SELECT id, first, last, readings {_TOUCHING} ORDER BY first"
        there = self._db.execute(query, span).fetchall()
        owners = np.searchsorted(np.array([row[1] for row in there], np.int64), series.t, "right") - 1
        edges = [0, *(np.flatnonzero(np.diff(owners)) + 1).tolist(), len(series)]
        for i, j in pairwise(edges):
            part = Series(series.t[i:j], series.v[i:j])
            owner = int(owners[i])
            if owner < 0:
                self._insert(saw, signal, full(part))
                continue
            number, _, last, readings = there[owner]
            follows = part.t[0] > last
            if follows and readings >= BLOB_READINGS:
                self._insert(saw, signal, full(part))
                continue
            old = blobs.decode(self._file.column("SELECT data FROM blob WHERE id = ?", number)[0])
            grown = union([old, part])
            if len(grown) > len(old):
                self._db.execute("DELETE FROM blob WHERE id = ?", (number,))
                self._insert(saw, signal, full(grown) if follows else even(grown))

    def _drop(self, saw: int, until: int) -> None:
        """Takes the readings before a time out of the tables."""
        hot = [unpack(data) for data in self._file.column("SELECT data FROM hot WHERE saw = ? ORDER BY id", saw)]
        if hot and min(trace.first for trace in hot) < until:
            for signal, series in zip(SIGNALS, merge(hot).series(), strict=True):
                if len(kept := series.between(until, _LATEST)):
                    self._place(saw, signal, kept)
            self._db.execute("DELETE FROM hot WHERE saw = ?", (saw,))
            self._hot[saw] = 0, 0
        cut = "SELECT signal, data FROM blob WHERE saw = ? AND first < ? AND last >= ?"
        over = self._db.execute(cut, (saw, until, until)).fetchall()
        self._db.execute("DELETE FROM blob WHERE saw = ? AND first < ?", (saw, until))
        for signal, data in over:
            self._insert(saw, signal, [blobs.decode(data).between(until, _LATEST)])

    def _insert(self, saw: int, signal: str, parts: Iterable[Series]) -> None:
        self._db.executemany(
            "INSERT INTO blob (saw, signal, first, last, readings, data) VALUES (?, ?, ?, ?, ?, ?)",
            ((saw, signal, int(s.t[0]), int(s.t[-1]), len(s), blobs.encode(s)) for s in parts),
        )

    def _id(self, saw: str) -> int | None:
        if saw not in self._ids:
            for number in self._file.column("SELECT id FROM saw WHERE name = ?", saw):
                self._ids[saw] = number
        return self._ids.get(saw)

    def _id_made(self, saw: str) -> int:
        if self._id(saw) is None:
            self._db.execute("INSERT INTO saw (name) VALUES (?)", (saw,))
            self._id(saw)
        return self._ids[saw]


_SIZE: Final = struct.Struct("<I")


def _minutes_out(minutes: Minutes) -> bytes:
    """Minutes as four blobs, each after its length: low, high, level and count, all at the same times."""
    packed = [blobs.encode(Series(minutes.t, column)) for column in minutes.columns()]
    return b"".join(_SIZE.pack(len(blob)) + blob for blob in packed)


def _minutes_in(data: bytes) -> Minutes:
    at, found = 0, []
    while at < len(data):
        (size,) = _SIZE.unpack_from(data, at)
        at += _SIZE.size
        found.append(blobs.decode(data[at : at + size]))
        at += size
    return Minutes(found[0].t, *(series.v for series in found))
