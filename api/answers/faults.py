"""Faults that people report from the saw: which are open, and what of it is an alert. Pure.

*Fault*: an item cannot do, or cannot do well, what is required of it (EN 13306).
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

from api.answers.alerts import Condition, Key
from api.tongues.say import later

if TYPE_CHECKING:
    from collections.abc import Iterable, Iterator

    from collector.book.faults import FaultRow

WHATS = {
    "cut": later("the cut is not clean or not square"),
    "motor": later("motor, brake or blade sounds or behaves unlike itself"),
    "movement": later("beam, head or lock does not move as it should"),
    "dust": later("extraction or dust"),
    "door": later("blade door, cover or guard"),
    "box": later("sensor box, switches or this screen"),
    "other": later("something else"),
}
"""What a fault can be about, in the operator's words."""


@dataclass(frozen=True, slots=True)
class Fault:
    """A fault as it stands; ``closed`` is who dealt with it, None while it is open."""

    said: FaultRow
    closed: FaultRow | None


def faults(rows: Iterable[FaultRow]) -> list[Fault]:
    """The faults of what was said, in the order in which they were reported."""
    rows = list(rows)
    closing = {row.closes: row for row in rows if row.closes is not None}
    return [Fault(row, closing.get(row.id)) for row in rows if row.closes is None]


def conditions(saw: str, rows: Iterable[FaultRow], start: int, now: int) -> Iterator[Condition]:
    """Faults of a saw that are open, or were reported or dealt with after ``start``, as of ``now``."""
    for fault in faults(row for row in rows if row.saw == saw and row.said_us <= now):
        end = None if fault.closed is None else fault.closed.said_us
        if end is None or end >= start:
            said = fault.said
            detail = {"note": said.note, "who": said.who}
            yield Condition(Key("fault-reported", saw, said.what), said.said_us, end, detail)
