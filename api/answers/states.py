"""The timeline of a saw: one unit state and one mode at every moment of a period, without holes.

Words of OPC 40550-1 (OPC UA for Woodworking). What is known goes by what the box said: the time before its
first reading, in its gaps, and after its newest one is OFFLINE, whatever the saw may have done then.
"""

from __future__ import annotations

from dataclasses import dataclass
from enum import StrEnum
from typing import TYPE_CHECKING

import numpy as np

from api.answers.intervals import Spans, inside, intersect, spans, subtract
from collector.facts import SECOND, Conflict, Cut, DoorVisit, Gap, Run, State
from collector.outline import KINDS
from collector.signals import distinct

if TYPE_CHECKING:
    from numpy.typing import NDArray

SILENCE = 15 * SECOND
"""A saw of whose box nothing was heard for longer is OFFLINE: the silence that is a gap."""
LATE = 120 * SECOND
"""So far a box's clock may go slow, or its readings come late, and still tell the present; from here on its clock is an
alert."""


def late(skew_us: int | None, most: int = LATE) -> int:
    """How long after its time a reading was received, ``most`` at most.

    Args:
        skew_us: its time minus the time of its receipt, microseconds; None: not known.
        most: microseconds.
    """
    return min(max(0, -(skew_us or 0)), most)


class Mode(StrEnum):
    """Unit mode of a saw, in the words of OPC 40550-1."""

    MANUAL = "MANUAL"
    SETUP = "SETUP"  # the blade door is open


@dataclass(frozen=True, slots=True)
class Extent:
    """What the box of one saw has been heard of: its first and its newest reading, microseconds UTC.

    Both are None where it was never heard of. ``late`` is how long after its time, by the box's clock, the newest
    reading was received, `LATE` at most: a box whose clock goes slow by half a minute is not silent.
    """

    first: int | None
    last: int | None
    late: int = 0

    @property
    def heard(self) -> int | None:
        """When the box was last heard."""
        return None if self.last is None else self.last + self.late

    def fresh(self, now: int) -> bool:
        """Whether the newest reading stands for the present."""
        return self.heard is not None and now - self.heard <= SILENCE

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
        cut_directions: of each its place in `collector.outline.DIRECTIONS`.
    """

    known: Spans
    runs: Spans
    cuts: Spans
    errors: Spans
    doors: Spans
    cut_rows: Spans
    cut_directions: NDArray[np.int64]

    @property
    def working(self) -> Spans:
        """Time in WORKING: cutting, and no conflict."""
        return subtract(self.cuts, self.errors)


def activity(outline: NDArray[np.int64], extent: Extent, until: int) -> Activity:
    """Facts of one saw as sets of intervals, up to ``until``; an open fact counts until then.

    Args:
        outline: facts of one saw, as `collector.outline` describes.
        extent: first and newest reading of its box.
        until: where knowledge ends: the newest reading.
    """
    begun = outline[outline[:, 1] <= until]
    number, rows = begun[:, 0], np.minimum(begun[:, 1:3], until)
    of = {kind: rows[number == i] for i, kind in enumerate(KINDS)}
    heard = spans([] if extent.first is None else [(extent.first, until)])
    known = subtract(heard, spans(of[Gap.kind]))
    return Activity(
        known=known,
        runs=intersect(spans(of[Run.kind]), known),
        cuts=intersect(spans(of[Cut.kind]), known),
        errors=intersect(spans(of[Conflict.kind]), known),
        doors=intersect(spans(of[DoorVisit.kind]), known),
        cut_rows=of[Cut.kind],
        cut_directions=begun[number == KINDS.index(Cut.kind), 3],
    )


@dataclass(frozen=True, slots=True)
class Stretch:
    """A stretch of the timeline: ``[start, end)`` in microseconds UTC."""

    state: State
    mode: Mode
    start: int
    end: int


STATES = (State.STANDBY, State.READY, State.WORKING, State.ERROR, State.OFFLINE)
"""By rank, weakest first: each overrules those before it."""


@dataclass(frozen=True, slots=True)
class Trail:
    """A timeline as arrays: stretch ``i`` is ``[bounds[i], bounds[i + 1])`` in ``STATES[rank[i]]``.

    Attributes:
        bounds: int64 microseconds UTC, one more than there are stretches.
        rank: int64 places in `STATES`.
        setup: whether the mode is SETUP.
    """

    bounds: NDArray[np.int64]
    rank: NDArray[np.int64]
    setup: NDArray[np.bool_]


def trail(act: Activity, start: int, end: int, *, modes: bool = True) -> Trail:
    """The timeline of ``[start, end)``; without ``modes`` a change of mode alone begins no new stretch.

    OFFLINE where no data is known, else ERROR in a conflict, WORKING in a cut, READY in a run, else STANDBY.
    The mode is SETUP where the blade door is known to be open, else MANUAL.
    """
    if end <= start:
        return Trail(np.array([start]), np.empty(0, np.int64), np.empty(0, np.bool_))
    parts = (act.runs, act.cuts, act.errors, act.known, act.doors)
    points = distinct(np.clip(np.concatenate([[start, end], *(p.ravel() for p in parts)]), start, end))
    at = points[:-1]
    runs, cuts, errors, known, doors = (inside(p, at) for p in parts)
    rank = np.select([~known, errors, cuts, runs], [4, 3, 2, 1], 0).astype(np.int64)
    code = 2 * rank + doors if modes else rank
    first = np.flatnonzero(np.concatenate(([True], code[1:] != code[:-1])))
    return Trail(np.append(points[first], end), rank[first], doors[first])


def timeline(act: Activity, start: int, end: int) -> list[Stretch]:
    """The timeline of ``[start, end)``, each stretch beginning where the one before it ends."""
    found = trail(act, start, end)
    bounds, modes = found.bounds.tolist(), (Mode.MANUAL, Mode.SETUP)
    return [
        Stretch(STATES[rank], modes[setup], bounds[i], bounds[i + 1])
        for i, (rank, setup) in enumerate(zip(found.rank.tolist(), found.setup.tolist(), strict=True))
    ]
