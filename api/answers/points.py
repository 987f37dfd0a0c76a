"""Facts and states as points of a time series database, for whoever looks at them with tools of their own. Pure.

A fact is a point at its start once it is over; what counts is written, marks included. A state is a point where it
begins, and at every midnight of UTC once more: no point reaches over a day, and a day's seconds add up to 86 400.
"""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import TYPE_CHECKING

from collector.facts import SECOND, Cut, Run

if TYPE_CHECKING:
    from collections.abc import Iterable, Mapping

    from api.answers.states import Stretch
    from collector.facts import Fact

MEASUREMENTS = ("cut", "run", "state")

Value = float | int | bool | str


@dataclass(frozen=True, slots=True)
class Point:
    """A point of one saw.

    Attributes:
        measurement: one of `MEASUREMENTS`.
        at_us: its time, microseconds UTC.
        tags: what one groups by.
        fields: its values; at least one.
    """

    measurement: str
    at_us: int
    tags: Mapping[str, str] = field(default_factory=dict)
    fields: Mapping[str, Value] = field(default_factory=dict)

    @property
    def key(self) -> tuple[str, int]:
        """There is one point of this key a saw."""
        return self.measurement, self.at_us

    def columns(self) -> dict[str, Value]:
        """Tags and fields."""
        return {**self.tags, **self.fields}


def points_of(facts: Iterable[Fact], stretches: Iterable[Stretch]) -> list[Point]:
    """The points of facts that are over and of stretches of the timeline; other kinds of facts are left out."""
    found = []
    for fact in facts:
        if fact.end is None:
            continue
        seconds = (fact.end - fact.start) / SECOND
        if isinstance(fact, Cut):
            values: dict[str, Value | None] = {
                "seconds": seconds,
                "mean_amps": fact.mean_ma / 1000,
                "peak_amps": fact.peak_ma / 1000,
                "idle_amps": fact.idle_ma / 1000,
                "lock_moved": fact.lock_moved,
                "station": fact.station,
            }
            found.append(Point("cut", fact.start, {"direction": fact.direction.value}, _known(values)))
        elif isinstance(fact, Run):
            values = {
                "seconds": seconds,
                "cuts": fact.cuts,
                "inrush_amps": None if fact.inrush_ma is None else fact.inrush_ma / 1000,
                "stop_seconds": None if fact.stop_us is None else fact.stop_us / SECOND,
            }
            found.append(Point("run", fact.start, fields=_known(values)))
    for s in stretches:
        fields: dict[str, Value] = {"state": s.state.value, "mode": s.mode.value, "seconds": (s.end - s.start) / SECOND}
        found.append(Point("state", s.start, fields=fields))
    return found


def _known(values: Mapping[str, Value | None]) -> dict[str, Value]:
    return {name: value for name, value in values.items() if value is not None}
