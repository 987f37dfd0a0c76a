"""Facts: what the saw did, as the book keeps it and as ``kerfbook replay`` prints it.

A fact is an immutable record with a start, an end and what was measured between them. Times are integer
microseconds since 1970-01-01T00:00:00Z, currents are integer milliamperes inside the program (sums stay exact,
so the same trace gives the same facts in whatever chunks it arrives) and amperes on the way out.
"""

from __future__ import annotations

import datetime as dt
from dataclasses import dataclass
from enum import StrEnum
from typing import Any, ClassVar

SECOND = 1_000_000
"""Microseconds in a second: every time in the program is an integer count of microseconds."""


class State(StrEnum):
    """Unit state of a saw, in the words of OPC 40550-1 (OPC UA for Woodworking)."""

    OFFLINE = "OFFLINE"  # no data, or no power
    STANDBY = "STANDBY"  # motor off
    READY = "READY"  # motor running without load
    WORKING = "WORKING"  # cutting
    ERROR = "ERROR"  # cannot start, or signals contradict each other


class Direction(StrEnum):
    """How a cut ran: beam locked at a station, beam free, or not known."""

    VERTICAL = "vertical"
    HORIZONTAL = "horizontal"
    UNKNOWN = "unknown"


@dataclass(frozen=True, slots=True)
class Run:
    """Motor start to motor stop.

    ``end`` is the moment the motor was switched off, None while it runs. ``inrush_ma`` is the highest starting
    current, None where the start was not seen. ``stop_us`` is the time from switching off to standstill where the
    brake's current can be seen to its end, else None. ``cuts`` counts the cuts that started in the run.
    """

    kind: ClassVar[str] = "run"
    saw: str
    start: int
    end: int | None
    inrush_ma: int | None
    stop_us: int | None
    cuts: int


@dataclass(frozen=True, slots=True)
class Cut:
    """One passage of the blade through material; ``end`` is None while the blade is still in it."""

    kind: ClassVar[str] = "cut"
    saw: str
    start: int
    end: int | None
    direction: Direction
    mean_ma: int
    peak_ma: int
    idle_ma: int
    lock_moved: bool
    station: int | None


@dataclass(frozen=True, slots=True)
class DoorVisit:
    """The blade door was open from ``start`` to ``end`` (None: still open)."""

    kind: ClassVar[str] = "door_visit"
    saw: str
    start: int
    end: int | None
    current_seen: bool
    before_stop: bool


@dataclass(frozen=True, slots=True)
class Conflict:
    """Signals contradict each other, or the motor cannot start; ``what`` says which."""

    kind: ClassVar[str] = "conflict"
    saw: str
    start: int
    end: int | None
    what: str


@dataclass(frozen=True, slots=True)
class Gap:
    """A silence of the box longer than 15 s: from its last reading to its next."""

    kind: ClassVar[str] = "gap"
    saw: str
    start: int
    end: int | None


Fact = Run | Cut | DoorVisit | Conflict | Gap


@dataclass(frozen=True, slots=True)
class Now:
    """What the detector knows about the present, at ``at`` (time of the newest reading).

    ``since`` is when ``state`` began; ``amps_ma`` the newest motor current, None before the first one; ``locked``
    and ``door_closed`` are None where the switch has not been heard of lately.
    """

    at: int
    state: State
    since: int
    amps_ma: int | None
    locked: bool | None
    station: int | None
    door_closed: bool | None


def iso(us: int | None) -> str | None:
    """ISO 8601 UTC with milliseconds, ``2026-03-02T07:00:00.000Z``; None stays None."""
    if us is None:
        return None
    ms = (us + 500) // 1000
    return dt.datetime.fromtimestamp(ms // 1000, dt.UTC).strftime("%Y-%m-%dT%H:%M:%S.") + f"{ms % 1000:03d}Z"


def parse_iso(text: str) -> int:
    """Microseconds of an RFC 3339 / ISO 8601 time with a zone.

    Raises:
        ValueError: the text is no such time, or has no zone.
    """
    moment = dt.datetime.fromisoformat(text)
    if moment.tzinfo is None:
        raise ValueError(f"{text!r} has no time zone; write it as 2026-03-02T07:00:00Z")
    return (moment - dt.datetime(1970, 1, 1, tzinfo=dt.UTC)) // dt.timedelta(microseconds=1)


def _amps(ma: int | None) -> float | None:
    return None if ma is None else ma / 1000


def as_record(fact: Fact) -> dict[str, Any]:
    """The fact as the JSON object that ``kerfbook replay`` prints: names, units and order of design.md."""
    head: dict[str, Any] = {"kind": fact.kind, "saw": fact.saw, "start": iso(fact.start), "end": iso(fact.end)}
    match fact:
        case Run():
            stop = None if fact.stop_us is None else round(fact.stop_us / SECOND, 3)
            head |= {"inrush_amps": _amps(fact.inrush_ma), "stop_seconds": stop, "cuts": fact.cuts}
        case Cut():
            head |= {
                "direction": fact.direction.value,
                "mean_amps": _amps(fact.mean_ma),
                "peak_amps": _amps(fact.peak_ma),
                "idle_amps": _amps(fact.idle_ma),
                "lock_moved": fact.lock_moved,
                "station": fact.station,
            }
        case DoorVisit():
            head |= {"current_seen": fact.current_seen, "before_stop": fact.before_stop}
        case Conflict():
            head |= {"what": fact.what}
        case Gap():
            pass
    return head
