"""Disk, trace and backups."""

from __future__ import annotations

import shutil
import sqlite3
from contextlib import closing
from pathlib import Path
from typing import TYPE_CHECKING, NamedTuple

from api.tongues.amounts import number
from api.tongues.say import gettext, later, reason
from collector.backup.kept import kept
from collector.backup.moment import book_file
from collector.trace.place import open_trace
from collector.trace.sqlite import SqliteTrace
from collector.trace.store import TraceError
from dashboard.doctor.finding import Finding

if TYPE_CHECKING:
    from collections.abc import Sequence

    from collector.trace.influx_server import Abilities
    from dashboard.config import Settings

_FREE_BYTES = 1 << 30
_LAST_DAYS = 14.0  # growth is taken from so many days
_WARN_DAYS = 30
_TEN_YEARS = 3652.0


def disk(settings: Settings, now: float) -> Finding:
    """Whether there is room, what grows, and when the disk will be full."""
    subject, folder = gettext("disk"), settings.stores.folder
    if not folder.is_dir():
        seen = gettext("{path} is not there", path=folder)
        return Finding(subject, seen, gettext("start `kerfbook run`, or correct folder in [stores]"))
    free = shutil.disk_usage(folder).free
    seen = gettext("{n} GiB free at {path}", n=number(free / (1 << 30), 1), path=folder)
    if free < _FREE_BYTES:
        return Finding(subject, seen, gettext("free some space: a full disk stops the collector"))
    try:
        found = _growth(settings, now)
    except (TraceError, sqlite3.Error, OSError):
        return Finding(subject, seen)  # said of trace and book below
    if not found:
        return Finding(subject, seen)
    told = ", ".join(
        gettext(
            "{what} {size} MB and {more} MB a day more",
            what=gettext(g.what),
            size=number(g.size / 1e6, 1),
            more=number(g.a_day / 1e6, 2),
        )
        for g in found
    )
    days = full_in(free - _FREE_BYTES // 4, [(g.a_day, g.days_to_grow) for g in found])
    if days is None:
        never = gettext("not full within ten years")
        return Finding(subject, f"{seen}; {told}; {never}")
    advice = gettext("get a bigger disk, or let trace_days in [stores] be fewer") if days < _WARN_DAYS else ""
    when = gettext("full in {n} days", n=round(days))
    return Finding(subject, f"{seen}; {told}; {when}", advice)


class Growth(NamedTuple):
    """A file: its size, by how much it grows a day, and for how many days yet (None: without end); in bytes."""

    what: str
    size: int
    a_day: float
    days_to_grow: float | None


def _growth(settings: Settings, now: float) -> list[Growth]:
    stores, found = settings.stores, []
    if isinstance(stores.trace, Path) and stores.trace.exists():
        with SqliteTrace(stores.trace, readonly=True) as trace:
            firsts = [first for saw in trace.saws() if (first := trace.first(saw)) is not None]
            age = (now - min(firsts) / 1e6) / 86400 if firsts else 0
            span = min(max(age, 1 / 24), _LAST_DAYS)
            a_day = trace.bytes_since(round((now - span * 86400) * 1e6)) / span
        kept = stores.ages.readings
        found.append(Growth(later("trace"), stores.trace.stat().st_size, a_day, max(kept - age, 0) if kept else None))
    path = book_file(stores.book)
    if path is not None and path.exists():
        with closing(sqlite3.connect(path)) as db:
            (begun,) = db.execute("SELECT min(start_us) FROM run").fetchone()
        if begun is not None:
            size = path.stat().st_size
            found.append(Growth(later("book"), size, size / max((now - begun / 1e6) / 86400, 1), None))
    return found


def full_in(free: float, growing: Sequence[tuple[float, float | None]]) -> float | None:
    """Days until so many bytes are used up; None: not within ten years.

    Args:
        free: bytes.
        growing: bytes a day, and for how many days (None: without end), of each thing that grows.
    """
    ends = sorted({days for _, days in growing if days is not None} | {_TEN_YEARS})
    at = 0.0
    for end in ends:
        rate = sum(a_day for a_day, days in growing if days is None or days > at)
        if rate > 0 and at + free / rate <= min(end, _TEN_YEARS):
            return max(at + free / rate, 0)
        free -= rate * (end - at)
        at = end
    return None


def trace(settings: Settings) -> Finding:
    """Whether the trace can be read; what its server can and cannot do."""
    subject = gettext("trace")
    try:
        with open_trace(settings.stores.trace, readonly=True) as store:
            if isinstance(settings.stores.trace, Path):
                with sqlite3.connect(settings.stores.trace) as db:
                    (verdict,) = db.execute("PRAGMA quick_check(1)").fetchone()
                db.close()
                if verdict != "ok":
                    return Finding(
                        subject,
                        str(verdict),
                        gettext("start `kerfbook run`, which mends the trace as far as it can be read; check the disk"),
                    )
            if isinstance(store, SqliteTrace):
                return Finding(subject, gettext("can be read, saws: {n}", n=len(store.saws())))
            return _server(store.server.abilities("motor"))
    except (TraceError, sqlite3.Error, OSError) as error:
        return Finding(subject, reason(error), gettext("start `kerfbook run`, or correct [stores]"))


def _server(told: Abilities) -> Finding:
    if told.retention is None:
        kept = gettext("readings kept: it does not say for how long")
    elif told.retention:
        kept = gettext("readings kept: {n} days", n=round(told.retention))
    else:
        kept = gettext("readings kept: for ever")
    parts = [
        gettext("InfluxDB {version}", version=told.version) if told.version else gettext("InfluxDB of unknown version"),
        gettext("takes readings in {n} ms", n=round(told.write_ms))
        if told.writes
        else gettext("does NOT take readings"),
        gettext("answers InfluxQL in {n} ms", n=round(told.read_ms))
        if told.reads
        else gettext("does NOT answer InfluxQL"),
        kept,
        gettext("can take a fact back") if told.deletes else gettext("can NOT take a fact back"),
    ]
    return Finding(gettext("trace"), "; ".join(parts), "; ".join(map(reason, told.faults)))


def backup(settings: Settings, now: float) -> Finding:
    """Whether the newest backup is new enough."""
    wanted = settings.backup
    held = kept(wanted.folder, settings.site.name)
    if not held:
        advice = gettext(
            "run `kerfbook backup` every night: `kerfbook install-service` makes a timer, or see its --help"
        )
        return Finding(gettext("backup"), gettext("there is none in {path}", path=wanted.folder), advice)
    made, path = held[-1]
    days = (now - made.timestamp()) / 86400
    late = days > wanted.missed_days
    advice = gettext("see why `kerfbook backup` was not run or failed") if late else ""
    seen = gettext("{file}, {days} days old, of {n} kept", file=path.name, days=number(max(days, 0), 1), n=len(held))
    return Finding(gettext("backup"), seen, advice)
