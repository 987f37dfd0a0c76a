"""An InfluxDB server, as far as it is spoken to: points go to ``/api/v2/write``, InfluxQL to ``/query``.

A write has reached the server's write-ahead log when it answers 204, and `send` returns only then. That is why the
client's background batches are not used.

Importing this module loads the client, some tens of megabytes: import it only where InfluxDB is configured.
"""

from __future__ import annotations

import gzip
import logging
import re
import time
from contextlib import contextmanager
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any, Final
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

from collector.trace.store import TraceError
from collector.words import Word, later

if TYPE_CHECKING:
    from collections.abc import Callable, Iterator

    from numpy.typing import NDArray

log = logging.getLogger(__name__)

LINES: Final = 5000
"""Points in a request; the server's makers advise 5 000 to 10 000 (InfluxDB documentation, optimise writes)."""
RETRIES: Final = 2
"""How often the client itself tries a request again; whoever commits tries for as long as it takes."""

_VALUES: Final = re.compile(rb'"values":\[\[([-0-9,\[\]]*)\]\]')
_BEYOND_RETENTION: Final = "beyond retention policy"


@dataclass(frozen=True, slots=True)
class Abilities:
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
    faults: tuple[TraceError, ...]
    deletes: bool = False
    write_ms: float = 0.0
    read_ms: float = 0.0


class InfluxServer:
    """A server, seen from one of its buckets. Safe to use from several threads.

    Args:
        url: of the server, such as ``http://influx.example:8086``.
        bucket: ``database/policy``.
        token: of the server; ``name:password`` for 1.x; empty where it asks for none.
        org: of a 2.x server.
        timeout: seconds that an answer may take.

    Raises:
        TraceError: the bucket's name is not of that form.
    """

    def __init__(self, url: str, bucket: str, *, token: str = "", org: str = "-", timeout: float = 10) -> None:
        self.url, self.bucket = url.rstrip("/"), bucket
        self.database, _, self.policy = bucket.partition("/")
        if not self.database or not self.policy or any(c in bucket for c in "\"'\\\n"):
            raise TraceError(
                later("{url}: {bucket} is no bucket; write it as database/policy, such as kerfbook/raw"),
                url=url,
                bucket=repr(bucket),
            )
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

    def close(self) -> None:
        """Let go of the server."""
        self._client.close()  # type: ignore[no-untyped-call]
        self._pool.clear()

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

    def abilities(self, measurement: str) -> Abilities:
        """What the server at hand can and cannot do. Never raises: a fault is part of the answer.

        Args:
            measurement: one with a field ``v``, for a question.
        """
        faults: list[TraceError] = []
        try:
            version = self.version()
        except TraceError as error:
            return Abilities("", writes=False, reads=False, retention=None, faults=(error,))
        writes = reads = False
        write_ms = read_ms = 0.0
        retention: float | None = None
        try:
            write_ms = _median_ms(lambda: self.send("# nothing"))
            writes = True
        except TraceError as error:
            faults.append(error)
        try:
            read_ms = _median_ms(lambda: self.ask(f'SELECT last(v) FROM "{self.policy}"."{measurement}"'))
            reads = True
            rows = self.ask(f'SHOW RETENTION POLICIES ON "{self.database}"')
            found = [dict(zip(one["columns"], row, strict=True)) for one in rows for row in one.get("values", ())]
            own = [row for row in found if row.get("name") == self.policy]
            if own:
                retention = _days(str(own[0].get("duration", "")))
            elif version.startswith("1."):
                missing = later("{url}: {bucket}: there is no such retention policy; start the collector once")
                faults.append(TraceError(missing, url=self.url, bucket=self.bucket))
        except TraceError as error:
            faults.append(error)
        deletes = version.startswith("1.")
        return Abilities(version, writes, reads, retention, tuple(faults), deletes, write_ms, read_ms)

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

    def tables(self, query: str) -> Iterator[tuple[str, NDArray[np.int64]]]:
        """Name and rows of the series that a query of whole numbers answers; its columns are all int64.

        Numbers are most of such an answer and are read past the JSON parser, which would make an object of each.

        Raises:
            TraceError: the server is out of reach or refuses.
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
