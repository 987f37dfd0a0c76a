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

A write has reached the server's write-ahead log when the server answers 204, and `commit` returns only then. That
is why the client's background batches are not used: a batch here is what was written since the last commit, in
requests of `LINES` points, each answered before the next, each tried again by the client.

Importing this module loads the client, some tens of megabytes: import it only where InfluxDB is configured.
"""

from __future__ import annotations

import gzip
import logging
import re
import threading
import time
from contextlib import contextmanager
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any, Final, Self
from urllib.parse import urlencode

import numpy as np
import orjson
from influxdb_client.client.influxdb_client import InfluxDBClient
from influxdb_client.client.write.retry import WritesRetry
from influxdb_client.domain.write_precision import WritePrecision
from influxdb_client.rest import ApiException
from influxdb_client.service.write_service import WriteService
from urllib3 import PoolManager
from urllib3.exceptions import HTTPError
from urllib3.util import Retry

from collector.signals import SIGNALS, Series, Trace, merge
from collector.trace.pieces import union
from collector.trace.slices import DAY_US, MINUTE_US, Minutes, Slices, joined
from collector.trace.store import TraceError
from collector.words import Word, later

if TYPE_CHECKING:
    from collections.abc import Callable, Collection, Iterator, Mapping

    from numpy.typing import NDArray

log = logging.getLogger(__name__)

LINES: Final = 5000
"""Points in a request; the server's makers advise 5 000 to 10 000 (InfluxDB documentation, optimise writes)."""

MINUTES: Final = "minutes"
AGED: Final = "aged"
MARGIN_DAYS: Final = 7
_SHORT_US: Final = 10 * MINUTE_US
"""A period up to this long is read as it is; of a longer one the server makes the slices, ten times less to send."""
_AGED_FOR_S: Final = 60

RETRIES: Final = 2
"""How often the client itself tries a request again; whoever commits tries for as long as it takes."""

# The range that nanoseconds in 64 bits can hold, which the server keeps times in, less what it reserves.
_EARLIEST: Final = -(2**63) // 1000 + 1_000_000
_LATEST: Final = 2**63 // 1000 - 1_000_000
_VALUES: Final = re.compile(rb'"values":\[\[([-0-9,\[\]]*)\]\]')
_BEYOND_RETENTION: Final = "beyond retention policy"


@dataclass(frozen=True, slots=True)
class Server:
    """What the server at an address can do.

    Attributes:
        version: as it tells it, such as ``1.8.10``; empty where it tells none.
        writes: ``/api/v2/write`` takes points (asked with a comment, which stores nothing).
        reads: ``/query`` answers InfluxQL for the database.
        deletes: a point can be taken back in InfluxQL (1.x), as facts as points need.
        write_ms, read_ms: round trips of a write and of a query that does next to nothing, the median of five.
        retention: days that raw readings are kept; 0 for ever; None where the server does not tell.
        faults: what it cannot do, each with what to do about it.
    """

    version: str
    writes: bool
    reads: bool
    retention: float | None
    faults: tuple[str, ...]
    deletes: bool = False
    write_ms: float = 0.0
    read_ms: float = 0.0


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
        self.url, self.bucket = url.rstrip("/"), bucket
        self.database, _, self.policy = bucket.partition("/")
        if not self.database or not self.policy or any(c in bucket for c in "\"'\\\n"):
            raise TraceError(
                later("{url}: {bucket} is no bucket; write it as database/policy, such as kerfbook/raw"),
                url=url,
                bucket=repr(bucket),
            )
        self._days, self._minute_days = days, minute_days
        self._aged: dict[str, tuple[float, int]] = {}
        self._lock = threading.RLock()
        self._pending: dict[str, list[Trace]] = {}
        self._newest: dict[str, int | None] = {}
        self._headers = {"Authorization": f"Token {token}"} if token else {}
        self._pool = PoolManager(maxsize=4, timeout=timeout)
        retries = WritesRetry(
            total=RETRIES, allowed_methods=["POST"], retry_interval=1, max_retry_delay=2, max_retry_time=5
        )
        self._org = org
        self._client: InfluxDBClient = InfluxDBClient(
            self.url, token=token, org=org, timeout=int(timeout * 1000), retries=retries
        )
        self._points = WriteService(self._client.api_client)  # type: ignore[no-untyped-call]

    def __enter__(self) -> Self:
        return self

    def __exit__(self, *_: object) -> None:
        self.close()

    def close(self) -> None:
        """Let go of the server; what was not committed is dropped."""
        with self._lock:
            self._pending.clear()
            self._client.close()  # type: ignore[no-untyped-call]
            self._pool.clear()

    def prepare(self) -> None:
        """Make the database and its policy on a 1.x server; on others a bucket is made with the server's own tools.

        Raises:
            TraceError: the server is out of reach or does not allow it.
        """
        if self.version().startswith("1."):
            self.ask(f'CREATE DATABASE "{self.database}"', post=True)
            self.policy_of(self.policy, self._days + MARGIN_DAYS if self._days else 0, " DEFAULT")
            self.policy_of(MINUTES, self._minute_days)

    def policy_of(self, name: str, days: int, more: str = "") -> None:
        """Make a retention policy of a 1.x server, or give it another duration; ``days`` 0: for ever.

        Raises:
            TraceError: the server is out of reach or does not allow it.
        """
        kept = f"{days}d" if days else "INF"
        rest = f'RETENTION POLICY "{name}" ON "{self.database}" DURATION {kept} REPLICATION 1{more}'
        try:
            self.ask(f"CREATE {rest}", post=True)
        except TraceError as error:
            if "already exists" not in str(error) and "conflicts" not in str(error):
                raise
            self.ask(f"ALTER {rest}", post=True)

    def server(self) -> Server:
        """What the server at hand can and cannot do. Never raises: a fault is part of the answer."""
        faults: list[str] = []
        try:
            version = self.version()
        except TraceError as error:
            return Server("", writes=False, reads=False, retention=None, faults=(str(error),))
        writes = reads = False
        write_ms = read_ms = 0.0
        retention: float | None = None
        try:
            write_ms = _median_ms(lambda: self.send("# nothing"))
            writes = True
        except TraceError as error:
            faults.append(str(error))
        try:
            read_ms = _median_ms(lambda: self.ask(f"SELECT last(v) FROM {self._from('motor')}"))
            reads = True
            rows = self.ask(f'SHOW RETENTION POLICIES ON "{self.database}"')
            found = [dict(zip(one["columns"], row, strict=True)) for one in rows for row in one.get("values", ())]
            own = [row for row in found if row.get("name") == self.policy]
            if own:
                retention = _days(str(own[0].get("duration", "")))
            elif version.startswith("1."):
                faults.append(f"{self.url}: {self.bucket}: there is no such retention policy; start the collector once")
        except TraceError as error:
            faults.append(str(error))
        deletes = version.startswith("1.")
        return Server(version, writes, reads, retention, tuple(faults), deletes, write_ms, read_ms)

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
                self.send("\n".join(lines[i : i + LINES]))
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
        rows = [table for _, table in self._tables(query)]
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
        for signal, table in self._tables(query):
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
            self.send("\n".join(part), f"{self.database}/{MINUTES}")
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
        for one in self.ask(f'SHOW TAG VALUES FROM {", ".join(SIGNALS)} WITH KEY = "saw"'):
            found.update(str(value) for _, value in one.get("values", ()))
        return sorted(found)

    def _missing(self, saw: str, fresh: Trace) -> Trace:
        """Those of the readings that the server does not have."""
        stored = self._stored(saw, fresh.first, fresh.last + 1)
        kept = []
        for new, old in zip(fresh.series(), stored.series(), strict=True):
            if len(new) and len(old):
                at = old.t.searchsorted(new.t).clip(max=len(old) - 1)
                absent = old.t[at] != new.t
                kept.append(Series(new.t[absent], new.v[absent]))
            else:
                kept.append(new)
        return Trace(*kept)

    def _stored(self, saw: str, start_us: int, end_us: int, signals: Collection[str] = SIGNALS) -> Trace:
        start, end = max(start_us, _EARLIEST), min(end_us, _LATEST + 1)
        if start >= end or not signals:
            return Trace.empty()
        query = f"SELECT v FROM {self._from(*signals)} WHERE {_of(saw)} AND time >= {start}u AND time < {end}u"
        columns: dict[str, list[Series]] = {signal: [] for signal in SIGNALS}
        for signal, table in self._tables(query):
            columns[signal].append(Series(table[:, 0].copy(), table[:, 1].astype(np.int32)))
        return Trace(*(union(parts) for parts in columns.values()))

    def _stored_last(self, saw: str) -> int | None:
        return max(self._times(f"SELECT last(v) FROM {self._from(*SIGNALS)} WHERE {_of(saw)}"), default=None)

    def _times(self, query: str) -> list[int]:
        return [int(row[0]) for one in self.ask(query) for row in one.get("values", ())]

    def _from(self, *signals: str, policy: str | None = None) -> str:
        return ", ".join(f'"{policy or self.policy}"."{signal}"' for signal in signals)

    def version(self) -> str:
        """Of the server, as it tells it; empty where it tells none.

        Raises:
            TraceError: the server is out of reach.
        """
        status, headers, _ = self._request("GET", "/ping", {})
        if status >= 400:
            raise TraceError(
                later("{url}: /ping answers {status}; see that this is the address of an InfluxDB"),
                url=self.url,
                status=status,
            )
        return headers.get("x-influxdb-version", "").removeprefix("v")

    def ask(self, query: str, *, post: bool = False) -> list[dict[str, Any]]:
        """Series that a query answers, a long one in several parts.

        Raises:
            TraceError: the server is out of reach or refuses.
        """
        return self._series(*self._answer(query, post=post))

    def _tables(self, query: str) -> Iterator[tuple[str, NDArray[np.int64]]]:
        """Name and rows of the series that a query of whole numbers answers; its columns are all int64.

        Numbers are most of such an answer and are read past the JSON parser, which would make an object of each.
        """
        status, body = self._answer(query)
        numbers: list[bytes] = []

        def put_aside(found: re.Match[bytes]) -> bytes:
            numbers.append(found[1])
            return b'"values":%d' % (len(numbers) - 1)

        for one in self._series(status, _VALUES.sub(put_aside, body)):
            width = len(one["columns"])
            flat = np.fromstring(numbers[one["values"]].replace(b"],[", b","), np.int64, sep=",")
            yield one["name"], flat.reshape(-1, width)

    def _answer(self, query: str, *, post: bool = False) -> tuple[int, bytes]:
        # In chunks, because servers cut an answer in one piece short at their max-row-limit.
        fields = {"db": self.database, "epoch": "u", "chunked": "true", "q": query}
        status, _, body = self._request("POST" if post else "GET", "/query", fields)
        return status, body

    def _series(self, status: int, body: bytes) -> list[dict[str, Any]]:
        try:
            answers = [orjson.loads(line) for line in body.splitlines() if line]
        except orjson.JSONDecodeError:
            answers = [{"error": f"no JSON but {body[:200]!r}"}]
        results = [result for answer in answers for result in answer.get("results", ())]
        fault = next((one["error"] for one in (*answers, *results) if "error" in one), None)
        if fault or status != 200:
            raise TraceError(
                later("{url}: /query answers {status}: {fault}; {advice}"),
                url=self.url,
                status=status,
                fault=repr(fault or body[:200]),
                advice=_advice(status),
            )
        if not results or results[-1].get("partial"):
            raise TraceError(
                later("{url}: /query broke off in the middle of its answer; see the server's log"), url=self.url
            )
        return [one for result in results for one in result.get("series", ())]

    def _request(self, method: str, path: str, fields: dict[str, str]) -> tuple[int, dict[str, str], bytes]:
        try:
            answer = self._pool.request(
                method,
                self.url + path + (f"?{urlencode(fields)}" if fields else ""),
                headers=self._headers,
                retries=Retry(RETRIES, backoff_factor=0.2),
            )
        except HTTPError as error:
            raise TraceError(
                later("{url}: {error}; see that the server runs and can be reached"), url=self.url, error=error
            ) from error
        return answer.status, {k.lower(): v for k, v in answer.headers.items()}, answer.data

    def send(self, lines: str, bucket: str | None = None) -> None:
        """Points in line protocol into a bucket, the trace's by default; the server has them in its log then.

        Raises:
            TraceError: the server is out of reach or refuses.
        """
        # The client would compress at level 9, which takes fifteen times as long and saves a quarter of the bytes.
        packed = gzip.compress(lines.encode(), 1)
        with self._clear_errors():
            self._points.post_write(  # type: ignore[no-untyped-call]
                self._org,
                bucket or self.bucket,
                packed,
                precision=WritePrecision.US,
                content_type="text/plain; charset=utf-8",
                content_encoding="gzip",
            )

    @contextmanager
    def _clear_errors(self) -> Iterator[None]:
        try:
            yield
        except ApiException as error:
            said = str(error.body or error.reason or "")[:300]
            if error.status == 400 and _BEYOND_RETENTION in said:
                # The server took the rest. What is older than it keeps would be dropped on any day.
                log.warning("%s: readings older than the server keeps were dropped: %s", self.url, said)
                return
            raise TraceError(
                later("{url}: /api/v2/write answers {status}: {said}; {advice}"),
                url=self.url,
                status=error.status,
                said=said,
                advice=_advice(error.status),
            ) from error
        except (HTTPError, OSError) as error:
            raise TraceError(
                later("{url}: {error}; see that the server runs and can be reached"), url=self.url, error=error
            ) from error


def _median_ms(ask: Callable[[], object]) -> float:
    spent = []
    for _ in range(5):
        begun = time.perf_counter()
        ask()
        spent.append((time.perf_counter() - begun) * 1000)
    return sorted(spent)[2]


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


def _advice(status: int | None) -> Word:
    return {
        400: later("see the server's log"),
        401: later("see that the token is right"),
        403: later("see that the token may read and write the bucket"),
        404: later("see that the bucket is there, and that the server is InfluxDB 1.8 or newer"),
        413: later("let the server take larger requests"),
    }.get(status or 0, later("see the server's log; it will be tried again"))


def _days(duration: str) -> float | None:
    """Days of a duration such as ``1440h0m0s``; 0 for ever."""
    hours = duration.partition("h")[0]
    if duration in {"0s", "0"}:
        return 0
    return int(hours) / 24 if hours.isdigit() else None
