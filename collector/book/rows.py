"""Facts as rows of their tables and back. Pure."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

from collector.book import schema
from collector.facts import Conflict, Cut, Direction, DoorVisit, Fact, Gap, Run

if TYPE_CHECKING:
    from collections.abc import Callable, Mapping

    from sqlalchemy import Table

TABLES: Mapping[str, Table] = {
    Run.kind: schema.run,
    Cut.kind: schema.cut,
    DoorVisit.kind: schema.door_visit,
    Conflict.kind: schema.conflict,
    Gap.kind: schema.gap,
}
"""The table of each kind of fact."""

def order(fact: Fact) -> tuple[int, str, str]:
    """Sort key of facts: by start, then kind, as `collector.detect.detector.derive` gives them."""
    return (fact.start, fact.kind, fact.what if isinstance(fact, Conflict) else "")


def to_row(saw_id: int, fact: Fact) -> dict[str, Any]:
    """The fact as the values of its table's columns."""
    row: dict[str, Any] = {"saw_id": saw_id, "start_us": fact.start, "end_us": fact.end}
    match fact:
        case Run():
            row |= {"inrush_ma": fact.inrush_ma, "stop_us": fact.stop_us, "cuts": fact.cuts}
        case Cut():
            row |= {
                "direction": fact.direction.value,
                "mean_ma": fact.mean_ma,
                "peak_ma": fact.peak_ma,
                "idle_ma": fact.idle_ma,
                "lock_moved": fact.lock_moved,
                "station": fact.station,
            }
        case DoorVisit():
            row |= {"current_seen": fact.current_seen, "before_stop": fact.before_stop}
        case Conflict():
            row |= {"what": fact.what}
        case Gap():
            pass
    return row


_DIRECTION = {d.value: d for d in Direction}

FROM_ROW: Mapping[str, Callable[[str, Any], Fact]] = {
    Run.kind: lambda saw, r: Run(saw, r.start_us, r.end_us, r.inrush_ma, r.stop_us, r.cuts),
    Cut.kind: lambda saw, r: Cut(
        saw,
        r.start_us,
        r.end_us,
        _DIRECTION[r.direction],
        r.mean_ma,
        r.peak_ma,
        r.idle_ma,
        r.lock_moved,
        r.station,
    ),
    DoorVisit.kind: lambda saw, r: DoorVisit(saw, r.start_us, r.end_us, r.current_seen, r.before_stop),
    Conflict.kind: lambda saw, r: Conflict(saw, r.start_us, r.end_us, r.what),
    Gap.kind: lambda saw, r: Gap(saw, r.start_us, r.end_us),
}
"""Makes a fact of a saw's name and a row of the kind's table."""
