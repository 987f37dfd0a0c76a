"""What monitoring may scrape, as families of the Prometheus client library, which knows the format.

Labels have few values: saws of the site, kinds and codes of this program, the two stores. Moments are given as such
(``…_timestamp_seconds``) and not as ages: an age would stand still when nobody measures it any more.
"""

from __future__ import annotations

import importlib.metadata
import shutil
import threading
import time
from typing import TYPE_CHECKING, NamedTuple

from prometheus_client.core import (
    CounterMetricFamily,
    GaugeMetricFamily,
    HistogramMetricFamily,
    InfoMetricFamily,
    Metric,
)
from prometheus_client.registry import Collector
from sqlalchemy import func, select, text

from api.answers.alert_kinds import KINDS
from collector.book import schema
from collector.book.alerts import AlertBook
from collector.book.engine import reading
from collector.delays import BOUNDS_S
from collector.facts import SECOND

if TYPE_CHECKING:
    from collections.abc import Iterator
    from pathlib import Path

    from sqlalchemy import Connection

    from api.desk import Desk
    from api.live import Live
    from api.vitals import Vitals
    from collector.mqtt import Health

_FACTS = (schema.run, schema.cut, schema.door_visit, schema.conflict, schema.gap)
_FACTS_SECONDS = 300.0  # counting a year's facts takes a tenth of a second


class _Book(NamedTuple):
    """What one reading of the book tells."""

    refusals: list[tuple[str, str, int]]
    bytes: int


class Metrics(Collector):
    """Gathers at every scrape.

    Args:
        desk: the stores.
        live: the streams.
        vitals: the process.
    """

    def __init__(self, desk: Desk, live: Live, vitals: Vitals) -> None:
        self._desk = desk
        self._live = live
        self._vitals = vitals
        self._alerts = AlertBook(desk.book)
        self._lock = threading.Lock()
        self._facts: dict[tuple[str, str], int] = {}
        self._counted: float | None = None

    def collect(self) -> Iterator[Metric]:
        """All families."""
        yield InfoMetricFamily("kerfbook", "The program.", {"version": importlib.metadata.version("kerfbook")})
        if self._vitals.collector is not None:
            yield from _collector(self._vitals.collector())
        yield from self._saws()
        yield from self._people()
        yield from self._stores()
        yield from self._streams()

    def _saws(self) -> Iterator[Metric]:
        heard = GaugeMetricFamily(
            "kerfbook_saw_last_reading_timestamp_seconds", "Time of the newest reading.", labels=["saw"]
        )
        skew = GaugeMetricFamily(
            "kerfbook_box_clock_skew_seconds", "The box's clock less the time of receipt.", labels=["saw"]
        )
        for saw, entry in self._desk.book.nows().items():
            if saw not in self._desk.saws:
                continue
            heard.add_metric([saw], entry.at / SECOND)
            if entry.clock_skew_us is not None:
                skew.add_metric([saw], entry.clock_skew_us / SECOND)
        facts = GaugeMetricFamily(
            "kerfbook_facts", "Facts in the book, counted every five minutes.", labels=["saw", "kind"]
        )
        for (saw, kind), count in self._count_facts().items():
            facts.add_metric([saw, kind], count)
        yield from (heard, skew, facts)

    def _people(self) -> Iterator[Metric]:
        standing = dict.fromkeys(KINDS, 0)
        for row in self._alerts.standing():
            standing[row.kind] = standing.get(row.kind, 0) + 1
        alerts = GaugeMetricFamily("kerfbook_alerts_standing", "Alerts that stand.", labels=["kind"])
        for kind, count in standing.items():
            alerts.add_metric([kind], count)
        yield alerts
        looked = self._alerts.looked()
        if looked is not None:
            yield GaugeMetricFamily(
                "kerfbook_alerts_last_look_timestamp_seconds", "When alerts were last looked for.", looked / SECOND
            )
        yield GaugeMetricFamily("kerfbook_outbox_messages", "Messages that wait to be sent.", self._alerts.unsent())

    def _stores(self) -> Iterator[Metric]:
        book = self._read_book()
        refused = CounterMetricFamily(
            "kerfbook_refusals", "Messages refused since the book began.", labels=["saw", "code"]
        )
        for saw, code, count in book.refusals:
            refused.add_metric([saw, code], count)
        size = GaugeMetricFamily("kerfbook_store_bytes", "Size of a store on the disk.", labels=["store"])
        size.add_metric(["book"], book.bytes)
        if self._vitals.trace is not None:
            size.add_metric(["trace"], sum(_size(p) for p in (self._vitals.trace, _beside(self._vitals.trace))))
        yield from (refused, size)
        if self._vitals.folder is not None:
            disk = shutil.disk_usage(self._vitals.folder)
            yield GaugeMetricFamily("kerfbook_disk_free_bytes", "Room on the disk of the stores.", disk.free)

    def _streams(self) -> Iterator[Metric]:
        yield GaugeMetricFamily("kerfbook_streams_open", "Screens that listen.", self._live.listeners)
        yield GaugeMetricFamily("kerfbook_streams_limit", "Screens that may listen at once.", self._live.limit)

    def _count_facts(self) -> dict[tuple[str, str], int]:
        with self._lock:
            now = time.monotonic()
            if self._counted is None or now >= self._counted + _FACTS_SECONDS:
                with reading(self._desk.book.engine) as connection:
                    self._facts = _facts(connection)
                self._counted = now
            return {key: count for key, count in self._facts.items() if key[0] in self._desk.saws}

    def _read_book(self) -> _Book:
        with reading(self._desk.book.engine) as connection:
            table = schema.refusal_count
            rows = connection.execute(select(table.c.saw, table.c.code, table.c["count"])).all()
            lite = connection.dialect.name == "sqlite"
            size = _SQLITE_SIZE if lite else "SELECT pg_database_size(current_database())"
            return _Book([(r[0], r[1], r[2]) for r in rows], int(connection.execute(text(size)).scalar_one()))


_SQLITE_SIZE = "SELECT page_count * page_size FROM pragma_page_count(), pragma_page_size()"


def _collector(health: Health) -> Iterator[Metric]:
    for name, help_, count in (
        ("kerfbook_messages_received", "Messages received, since the start as all of these.", health.messages),
        ("kerfbook_messages_refused", "Messages that could not be taken.", health.refused),
        ("kerfbook_readings", "Readings committed.", health.readings),
        ("kerfbook_readings_late", "Readings that came after later ones.", health.late),
        ("kerfbook_broker_connections", "Connections made to the broker.", health.connections),
    ):
        yield CounterMetricFamily(name, help_, count)
    for name, help_, value in (
        ("kerfbook_messages_queued", "Messages received and not yet committed.", health.queued),
        ("kerfbook_broker_connected", "1 while the collector is connected to the broker.", health.connected),
        ("kerfbook_collector_running", "1 while the collector's thread lives.", health.running),
        ("kerfbook_stores_failing", "1 while the stores cannot be written.", health.store_error is not None),
    ):
        yield GaugeMetricFamily(name, help_, float(value))
    if health.last_commit_us is not None:
        yield GaugeMetricFamily(
            "kerfbook_last_commit_timestamp_seconds",
            "When readings were last committed.",
            health.last_commit_us / SECOND,
        )
    running, buckets = 0, []
    for bound, count in zip((*map(str, BOUNDS_S), "+Inf"), health.delays.counts, strict=True):
        running += count
        buckets.append((bound, float(running)))
    yield HistogramMetricFamily(
        "kerfbook_commit_delay_seconds",
        "From receipt of a group's oldest message to its commit.",
        buckets,
        health.delays.sum_s,
    )


def _facts(connection: Connection) -> dict[tuple[str, str], int]:
    found: dict[tuple[str, str], int] = {}
    for table in _FACTS:
        query = (
            select(schema.saw.c.name, func.count())
            .join_from(table, schema.saw, schema.saw.c.id == table.c.saw_id)
            .group_by(schema.saw.c.name)
        )
        found |= {(row[0], table.name): int(row[1]) for row in connection.execute(query)}
    return found


def _size(path: Path) -> int:
    try:
        return path.stat().st_size
    except OSError:
        return 0


def _beside(path: Path) -> Path:
    return path.with_name(path.name + "-wal")
