"""Where a trace is kept, and opening it there."""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING

from collector.trace.sqlite import SqliteTrace

if TYPE_CHECKING:
    from collector.trace.influx import InfluxTrace
    from collector.trace.influx_points import InfluxPoints


@dataclass(frozen=True, slots=True)
class InfluxPlace:
    """A bucket of an InfluxDB.

    Attributes:
        url: of the server.
        bucket: ``database/policy``.
        token_file: holds the server's token and nothing else; None where it asks for none.
        org: of a 2.x server.
        days: how long readings are kept, 0 for ever; a policy that we make (1.x) keeps them a week longer.
        minute_days: how long minutes are, in the same way.
    """

    url: str
    bucket: str
    token_file: Path | None = None
    org: str = "-"
    days: int = 60
    minute_days: int = 730


def open_trace(place: Path | InfluxPlace, *, readonly: bool = False) -> SqliteTrace | InfluxTrace:
    """The trace at a file or in a bucket; made if it is missing, unless ``readonly``.

    Raises:
        collector.trace.store.TraceError: it cannot be opened.
        OSError: the folder cannot be made, or the token not read.
    """
    if isinstance(place, Path):
        if not readonly:
            place.parent.mkdir(parents=True, exist_ok=True)
        return SqliteTrace(place, readonly=readonly)
    # Loading the client takes memory and time that embedded stores need not spend.
    from collector.trace.influx import InfluxTrace  # noqa: PLC0415

    token = place.token_file.read_text("utf-8").strip() if place.token_file else ""
    trace = InfluxTrace(
        place.url, place.bucket, token=token, org=place.org, days=place.days, minute_days=place.minute_days
    )
    if not readonly:
        try:
            trace.prepare()
        except BaseException:
            trace.close()
            raise
    return trace


def points_in(trace: SqliteTrace | InfluxTrace) -> InfluxPoints | None:
    """Where facts are written as points: beside a trace in InfluxDB; None elsewhere."""
    if isinstance(trace, SqliteTrace):
        return None
    from collector.trace.influx_points import InfluxPoints  # noqa: PLC0415

    return InfluxPoints(trace.server)
