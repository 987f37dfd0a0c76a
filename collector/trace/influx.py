"""The trace in InfluxDB, for a group with many shops: written at ``/api/v2/write``, read in InfluxQL at ``/query``.

One measurement a signal, tag ``saw``, one integer field ``v`` (unit as in `collector.signals.Series`). A time is
kept to the microsecond. The database is the part before the ``/`` of the bucket's name, the retention policy the
part after it.

InfluxDB lets the newest value of a moment win; the law of `collector.trace.store` is that the first one stays. So
readings that are not newer than the saw's newest are held against what is there, and only what is missing is sent.
The same points sent again change nothing, so an answer that got lost on its way is no trouble.

Of days that have aged out the policy `MINUTES` of the same database keeps, under the same measurements and tag, a
point a minute with the fields ``low``, ``high``, ``level`` and ``readings``; how far that has come says the measurement
`AGED`. The server drops readings by itself `MARGIN_DAYS` after they have aged: a collector that is away for some days
loses none.

`commit` returns when the server has every point in its log: a batch is what was written since the last commit, in
requests of `LINES` points, each answered before the next, each tried again by the client.

Importing this module loads the client, some tens of megabytes: import it only where InfluxDB is configured.
"""

from __future__ import annotations

import threading
import time
from typing import TYPE_CHECKING, Final, Self

import numpy as np

from collector.signals import SIGNALS, Series, Trace, absent, merge
from collector.trace.influx_server import LINES, InfluxServer
from collector.trace.pieces import union
from collector.trace.slices import DAY_US, MINUTE_US, Minutes, Slices, joined

if TYPE_CHECKING:
    from collections.abc import Collection, Mapping

MINUTES: Final = "minutes"
AGED: Final = "aged"
MARGIN_DAYS: Final = 7
_SHORT_US: Final = 10 * MINUTE_US
"""A period up to this long is read as it is; of a longer one the server makes the slices, ten times less to send."""
_AGED_FOR_S: Final = 60

# The range that nanoseconds in 64 bits can hold, which the server keeps times in, less what it reserves.
_EARLIEST: Final = -(2**63) // 1000 + 1_000_000
_LATEST: Final = 2**63 // 1000 - 1_000_000


class InfluxTrace:
    """A `collector.trace.store.TraceStore` on a server. Safe to use from several threads.

    Args:
        url: of the server, such as ``http://influx.example:8086``.
        bucket: ``database/policy``.
        token: of the server; ``name:password`` for 1.x; empty where it asks for none.
        org: of a 2.x server.
        days: how long readings are kept, 0 for ever; used where `prepare` makes the policy.
        minute_days: how long minutes are, in the same way.
        timeout: seconds that an answer may take.

    Attributes:
        server: where it is, for whatever else is asked there.

    Raises:
        TraceError: the bucket's name is not of that form.
    """

    def __init__(
        self,
        url: str,
        bucket: str,
        *,
        token: str = "",
        org: str = "-",
        days: int = 60,
        minute_days: int = 730,
        timeout: float = 10,
    ) -> None:
        self.server = InfluxServer(url, bucket, token=token, org=org, timeout=timeout)
        self._days, self._minute_days = days, minute_days
        self._aged: dict[str, tuple[float, int]] = {}
        self._lock = threading.RLock()
        self._pending: dict[str, list[Trace]] = {}
        self._newest: dict[str, int | None] = {}

    def __enter__(self) -> Self:
        return self

    def __exit__(self, *_: object) -> None:
        self.close()

    def close(self) -> None:
        """Let go of the server; what was not committed is dropped."""
        with self._lock:
            self._pending.clear()
            self.server.close()

    def prepare(self) -> None:
        """Make the database and its policy on a 1.x server; on others a bucket is made with the server's own tools.

        Raises:
            TraceError: the server is out of reach or does not allow it.
        """
        if self.server.version().startswith("1."):
            self.server.ask(f'CREATE DATABASE "{self.server.database}"', post=True)
            self.server.policy_of(self.server.policy, self._days + MARGIN_DAYS if self._days else 0, " DEFAULT")
            self.server.policy_of(MINUTES, self._minute_days)

    def write(self, saw: str, trace: Trace) -> None:
        """Add readings; safe after `commit`, until then seen by this object alone.

        Raises:
            ValueError: a time is before the year 1678 or after 2261: the server's nanoseconds cannot hold it.
        """
        if not len(trace):
            return
        if trace.first < _EARLIEST or trace.last > _LATEST:
            raise ValueError("a reading is before the year 1678 or after 2261, which InfluxDB cannot hold")
        with self._lock:
            self._pending.setdefault(saw, []).append(trace)

    def commit(self) -> None:
        """Send all that was written, and wait until the server has it in its log.

        Raises:
            TraceError: it could not be done; what was written is kept, and another `commit` sends it again.
        """
        with self._lock:
            if not self._pending:
                return
            lines: list[str] = []
            newest: dict[str, int | None] = {}
            for saw, traces in self._pending.items():
                fresh = merge(traces)
                if saw not in self._newest:
                    self._newest[saw] = self._stored_last(saw)
                last = self._newest[saw]
                newest[saw] = fresh.last if last is None else max(last, fresh.last)
                if last is not None and fresh.first <= last:
                    fresh = self._missing(saw, fresh)
                lines += _lines(saw, fresh)
            # Should a request fail, those before it are in the server: they count as older than nothing, and the
            # next attempt must look at what is there.
            for saw in newest:
                del self._newest[saw]
            for i in range(0, len(lines), LINES):
                self.server.send("\n".join(lines[i : i + LINES]))
            self._newest.update(newest)
            self._pending.clear()

    def read(self, saw: str, start_us: int, end_us: int, signals: Collection[str] = SIGNALS) -> Trace:
        """The readings with ``start_us <= t < end_us`` of these signals.

        Raises:
            TraceError: the server is out of reach or refuses.
        """
        with self._lock:
            pending = [trace.between(start_us, end_us) for trace in self._pending.get(saw, ())]
        stored = self._stored(saw, start_us, end_us, signals)
        if not pending:
            return stored
        both = zip(SIGNALS, merge([stored, *pending]).series(), strict=True)
        return Trace(*(series if signal in signals else Series.empty() for signal, series in both))

    def slices(self, saw: str, start_us: int, end_us: int, width_us: int) -> Slices:
        """The motor's readings with ``start_us <= t < end_us``, in slices that begin at ``start_us``.

        Of a period longer than ten minutes what is not committed is left out, and bounds of slices stand for times.

        Raises:
            TraceError: the server is out of reach or refuses.
        """
        if end_us - start_us <= _SHORT_US:
            return Slices.of(self.read(saw, start_us, end_us, ("motor",)).motor, start_us, width_us)
        start, end = max(start_us, _EARLIEST), min(end_us, _LATEST + 1)
        query = (
            f"SELECT min(v), max(v), sum(v), count(v) FROM {self._from('motor')} WHERE {_of(saw)} "
            f"AND time >= {start}u AND time < {end}u GROUP BY time({width_us}u, {start_us % width_us}u) fill(none)"
        )
        rows = [table for _, table in self.server.tables(query)]
        t, low, high, total, count = np.concatenate([np.empty((0, 5), np.int64), *rows]).T
        return Slices(np.maximum(t, start), np.minimum(t + width_us, end) - 1, low, high, total, count)

    def complete_from(self, saw: str) -> int:
        """From this time on all readings are kept, of those before it minutes; 0: no day has aged.

        Asked of the server once a minute at most.
        """
        asked, found = self._aged.get(saw, (-_AGED_FOR_S, 0))
        if time.monotonic() - asked >= _AGED_FOR_S:
            found = max(self._times(f'SELECT last(days) FROM "{MINUTES}"."{AGED}" WHERE {_of(saw)}'), default=0)
            self._aged[saw] = time.monotonic(), found
        return found

    def minutes(self, saw: str, start_us: int, end_us: int) -> dict[str, Minutes]:
        """By signal, the kept minutes that begin in the period."""
        start, end = max(start_us, _EARLIEST), min(end_us, _LATEST + 1)
        if start >= end:
            return {}
        query = (
            f"SELECT low, high, level, readings FROM {self._from(*SIGNALS, policy=MINUTES)} WHERE {_of(saw)} "
            f"AND time >= {start}u AND time < {end}u"
        )
        found: dict[str, list[Minutes]] = {}
        for signal, table in self.server.tables(query):
            t, *columns = table.T
            found.setdefault(signal, []).append(Minutes(t, *(column.astype(np.int32) for column in columns)))
        return {signal: joined(parts) for signal, parts in found.items()}

    def write_minutes(self, saw: str, minutes: Mapping[str, Minutes], until_us: int) -> None:
        """Keep minutes of days that are over at ``until_us``; the server drops the readings when their time has come.

        Raises:
            TraceError: it could not be done; another call does all of it.
        """
        lines = [
            f"{signal},saw={saw} low={low}i,high={high}i,level={level}i,readings={count}i {t}"
            for signal, held in minutes.items()
            for t, low, high, level, count in zip(held.t.tolist(), *(c.tolist() for c in held.columns()), strict=True)
        ]
        # Last, when all before it are there.
        parts = [lines[i : i + LINES] for i in range(0, len(lines), LINES)]
        for part in (*parts, [f"{AGED},saw={saw} days={until_us // DAY_US}i {until_us}"]):
            self.server.send("\n".join(part), f"{self.server.database}/{MINUTES}")
        self._aged.pop(saw, None)

    def tidy(self, before_us: int) -> bool:  # noqa: ARG002 (the protocol's)
        """Nothing: the server forgets by its policies."""
        return False

    def first(self, saw: str, from_us: int = 0) -> int | None:
        """Time of the saw's earliest reading at or after ``from_us``, None if there is none."""
        with self._lock:
            waiting = [trace.between(from_us, _LATEST + 1) for trace in self._pending.get(saw, ())]
        found = [trace.first for trace in waiting if len(trace)]
        start = max(from_us, _EARLIEST)
        if start <= _LATEST:
            found += self._times(f"SELECT first(v) FROM {self._from(*SIGNALS)} WHERE {_of(saw)} AND time >= {start}u")
        return min(found, default=None)

    def last(self, saw: str) -> int | None:
        """Time of the saw's newest reading, None if there is none."""
        with self._lock:
            found = [trace.last for trace in self._pending.get(saw, ())]
        stored = self._stored_last(saw)
        return max([*found, *([] if stored is None else [stored])], default=None)

    def saws(self) -> list[str]:
        """The saws that have readings, in alphabetical order."""
        with self._lock:
            found = set(self._pending)
        for one in self.server.ask(f'SHOW TAG VALUES FROM {", ".join(SIGNALS)} WITH KEY = "saw"'):
            found.update(str(value) for _, value in one.get("values", ()))
        return sorted(found)

    def _missing(self, saw: str, fresh: Trace) -> Trace:
        """Those of the readings that the server does not have."""
        stored = self._stored(saw, fresh.first, fresh.last + 1)
        return Trace(*(absent(new, old) for new, old in zip(fresh.series(), stored.series(), strict=True)))

    def _stored(self, saw: str, start_us: int, end_us: int, signals: Collection[str] = SIGNALS) -> Trace:
        start, end = max(start_us, _EARLIEST), min(end_us, _LATEST + 1)
        if start >= end or not signals:
            return Trace.empty()
        query = f"SELECT v FROM {self._from(*signals)} WHERE {_of(saw)} AND time >= {start}u AND time < {end}u"
        columns: dict[str, list[Series]] = {signal: [] for signal in SIGNALS}
        for signal, table in self.server.tables(query):
            columns[signal].append(Series(table[:, 0].copy(), table[:, 1].astype(np.int32)))
        return Trace(*(union(parts) for parts in columns.values()))

    def _stored_last(self, saw: str) -> int | None:
        return max(self._times(f"SELECT last(v) FROM {self._from(*SIGNALS)} WHERE {_of(saw)}"), default=None)

    def _times(self, query: str) -> list[int]:
        return [int(row[0]) for one in self.server.ask(query) for row in one.get("values", ())]

    def _from(self, *signals: str, policy: str | None = None) -> str:
        return ", ".join(f'"{policy or self.server.policy}"."{signal}"' for signal in signals)


def _lines(saw: str, trace: Trace) -> list[str]:
    """Points in line protocol; a saw's name needs no escapes."""
    return [
        f"{signal},saw={saw} v={v}i {t}"
        for signal, series in zip(SIGNALS, trace.series(), strict=True)
        for t, v in zip(series.t.tolist(), series.v.tolist(), strict=True)
    ]


def _of(saw: str) -> str:
    name = saw.replace("\\", "\\\\").replace("'", "\\'")
    return f"\"saw\" = '{name}'"
