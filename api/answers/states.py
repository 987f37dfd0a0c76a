"""The timeline of a saw: one unit state and one mode at every moment of a period, without holes.

Words of OPC 40550-1 (OPC UA for Woodworking). What is known goes by what the box said: the time before its
first reading, in its gaps, and after its newest one is OFFLINE, whatever the saw may have done then.
"""

from __future__ import annotations

from dataclasses import dataclass
from enum import StrEnum
from typing import TYPE_CHECKING

import numpy as np

from api.answers.intervals import Spans, clip, inside, intersect, spans, subtract
from collector.facts import SECOND, Conflict, Cut, DoorVisit, Fact, Gap, Run, State

if TYPE_CHECKING:
    from collections.abc import Sequence

SILENCE = 15 * SECOND
"""A saw whose newest reading is older than this is OFFLINE (design.md: a silence that is a gap)."""


class Mode(StrEnum):
    """Unit mode of a saw, in the words of OPC 40550-1."""

    MANUAL = "MANUAL"
    SETUP = "SETUP"  # the blade door is open


@dataclass(frozen=True, slots=True)
class Extent:
    """What the box of one saw has been heard of: its first and its newest reading, microseconds UTC.

    Both are None where it was never heard of.
    """

    first: int | None
    last: int | None

    def fresh(self, now: int) -> bool:
        """Whether the newest reading is young enough to stand for the present."""
        return self.last is not None and now - self.last <= SILENCE

    def counted_until(self, now: int) -> int:
        """Where a reckoning ends: at the newest reading while the box speaks, at ``now`` once it is silent.

        The seconds between the newest reading and the present are not missing, they are just not here yet:
        they must not lower a coverage. Once the silence is long, they are missing.
        """
        return min(self.last, now) if self.last is not None and self.fresh(now) else now

    def drawn_until(self, now: int) -> int:
        """Where a picture's known part ends: at ``now`` while the box speaks, else at its newest reading."""
        return now if self.last is None or self.fresh(now) else min(self.last, now)


@dataclass(frozen=True, slots=True)
class Activity:
    """The facts of one saw as sets of intervals, all within the time that is known.

    Attributes:
        known: time with data.
        runs: motor running.
        cuts: blade in material.
        errors: conflicts.
        doors: blade door open.
        cut_rows: the cuts one by one, shape (n, 2), in order of start, as they were detected.
    """

    known: Spans
    runs: Spans
    cuts: Spans
    errors: Spans
    doors: Spans
    cut_rows: Spans

    @property
    def working(self) -> Spans:
        """Time in WORKING: cutting, and no conflict."""
        return subtract(self.cuts, self.errors)


def activity(facts: Sequence[Fact], extent: Extent, until: int) -> Activity:
    """Facts of one saw as sets of intervals, up to ``until``; an open fact counts until then.

    Args:
        facts: facts of one saw, in any order.
        extent: first and newest reading of its box.
        until: where knowledge ends: the newest reading for a reckoning, the present for a picture of it.
    """
    rows: dict[type, list[tuple[int, int]]] = {Run: [], Cut: [], DoorVisit: [], Conflict: [], Gap: []}
    for fact in facts:
        if fact.start > until:
            continue
        rows[type(fact)].append((fact.start, until if fact.end is None else min(fact.end, until)))
    heard = spans([] if extent.first is None else [(extent.first, until)])
    known = subtract(heard, spans(rows[Gap]))
    cut_rows = np.array(sorted(rows[Cut]), np.int64).reshape(-1, 2)
    return Activity(
        known=known,
        runs=intersect(spans(rows[Run]), known),
        cuts=intersect(spans(cut_rows), known),
        errors=intersect(spans(rows[Conflict]), known),
        doors=intersect(spans(rows[DoorVisit]), known),
        cut_rows=cut_rows,
    )


@dataclass(frozen=True, slots=True)
class Stretch:
    """A stretch of the timeline: ``[start, end)`` in microseconds UTC."""

    state: State
    mode: Mode
    start: int
    end: int


# Weakest first: each later row overrules those before it.
_BY_RANK = (State.STANDBY, State.READY, State.WORKING, State.ERROR, State.OFFLINE)


def timeline(act: Activity, start: int, end: int) -> list[Stretch]:
    """States and modes of ``[start, end)`` in order of time, each beginning where the one before it ends.

    OFFLINE where no data is known, else ERROR in a conflict, WORKING in a cut, READY in a run, else STANDBY.
    The mode is SETUP where the blade door is known to be open, else MANUAL.
    """
    if end <= start:
        return []
    parts = (act.runs, act.cuts, act.errors, act.known, act.doors)
    clipped = [clip(p, start, end) for p in parts]
    points = np.unique(np.concatenate([np.array([start, end]), *(p.ravel() for p in clipped)]))
    at = points[:-1]
    runs, cuts, errors, known, doors = (inside(p, at) for p in clipped)
    rank = np.select([~known, errors, cuts, runs], [4, 3, 2, 1], 0)
    code = 2 * rank + doors
    first = np.flatnonzero(np.concatenate(([True], code[1:] != code[:-1])))
    bounds = np.append(points[first], end)
    return [
        Stretch(
            _BY_RANK[code[f] // 2],
            Mode.SETUP if code[f] % 2 else Mode.MANUAL,
            int(bounds[i]),
            int(bounds[i + 1]),
        )
        for i, f in enumerate(first)
    ]
