"""Marks: what people say about cuts, and how that changes what counts. Pure.

A mark is about a stretch of time, never about a row of the book: a derivation replaces facts, and the mark must find
its cut again among the new ones. It finds the cut with which it shares at least half of the longer of the two.

- ``no_cut``: the cut it finds does not count.
- ``missed_cut``: a cut that the detector did not find counts, as drawn. Where the detector finds it after all (a later
  derivation), the detector's times and currents count once, with the direction that the person chose.

``no_cut`` goes first: of a cut that is no cut, a better one can be drawn in the same place.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from enum import StrEnum
from typing import TYPE_CHECKING

import numpy as np

from collector.facts import SECOND, Cut, Direction, Fact, Run
from collector.outline import KINDS, OPEN

if TYPE_CHECKING:
    from collections.abc import Sequence

    from numpy.typing import NDArray

    from collector.signals import Trace

LONGEST_US = 15 * 60 * SECOND
"""A mark is at most this long: no cut lasts a quarter of an hour, and readers of the book must know how far to look."""

SHORTEST_US = SECOND // 5
"""A drawn cut is at least this long; shorter ones are slips of the hand."""

_CUT, _RUN = KINDS.index(Cut.kind), KINDS.index(Run.kind)


class MarkKind(StrEnum):
    """What a person says about a stretch of time."""

    NO_CUT = "no_cut"
    MISSED_CUT = "missed_cut"


@dataclass(frozen=True, slots=True)
class Withdrawal:
    """Who took a mark back, and when (µs UTC)."""

    who: str
    at: int


@dataclass(frozen=True, slots=True)
class Mark:
    """What somebody said: times µs UTC, currents mA.

    ``direction`` and the currents (as measured in the trace when it was drawn) belong to a missed cut alone.
    ``id`` 0: not in the book yet.
    """

    saw: str
    kind: MarkKind
    start: int
    end: int
    who: str
    at: int
    note: str = ""
    direction: Direction | None = None
    mean_ma: int | None = None
    peak_ma: int | None = None
    idle_ma: int | None = None
    withdrawn: Withdrawal | None = None
    id: int = 0

    @property
    def cut(self) -> Cut:
        """The cut that was drawn.

        Raises:
            ValueError: the mark draws none.
        """
        if self.kind is not MarkKind.MISSED_CUT:
            raise ValueError("a mark 'no cut' draws no cut")
        return Cut(
            self.saw, self.start, self.end, self.direction or Direction.UNKNOWN,
            self.mean_ma or 0, self.peak_ma or 0, self.idle_ma or 0, lock_moved=False, station=None,
        )  # fmt: skip


def match(marks: NDArray[np.int64], cuts: NDArray[np.int64]) -> NDArray[np.int64]:
    """Which cut each mark is about.

    A mark is about the cut with which it shares most, if that is at least half of the longer of the two (of equals the
    earlier). Of several marks about one cut the one that shares most has it (of equals the first given).

    Args:
        marks: shape (n, 2), start and end, in any order.
        cuts: shape (m, 2), start and end, in order of start, none reaching into the next.

    Returns:
        shape (n,), row of ``cuts``; -1 where there is none. No row occurs twice.
    """
    found = np.full(len(marks), -1, np.int64)
    first = np.searchsorted(cuts[:, 1], marks[:, 0], side="right").tolist() if len(cuts) else []
    best: dict[int, tuple[int, int]] = {}  # cut → (time shared, mark)
    for i, at in enumerate(first):
        start, end = int(marks[i, 0]), int(marks[i, 1])
        most, which, j = 0, -1, at
        while j < len(cuts) and int(cuts[j, 0]) < end:
            shared = min(end, int(cuts[j, 1])) - max(start, int(cuts[j, 0]))
            longer = max(end - start, int(cuts[j, 1] - cuts[j, 0]))
            if shared > most and 2 * shared >= longer:
                most, which = shared, j
            j += 1
        if which >= 0 and most > best.get(which, (0, 0))[0]:
            best[which] = (most, i)
    for which, (_, i) in best.items():
        found[i] = which
    return found


@dataclass(frozen=True, slots=True)
class Matched:
    """Marks against detected cuts: for each mark the row of its cut, -1 where it has none.

    ``cuts`` are the detected ones, ``left`` tells which of them count.
    """

    no_cut: NDArray[np.int64]
    missed: NDArray[np.int64]
    left: NDArray[np.bool_]


def match_all(no_cut: NDArray[np.int64], missed: NDArray[np.int64], cuts: NDArray[np.int64]) -> Matched:
    """Match both kinds, ``no_cut`` first; shapes as for `match`."""
    left = np.ones(len(cuts), np.bool_)
    gone = match(no_cut, cuts)
    left[gone[gone >= 0]] = False
    rows = np.flatnonzero(left)
    among = match(missed, cuts[left])
    again = np.where(among >= 0, rows[among], -1) if len(rows) else np.full(len(missed), -1, np.int64)
    return Matched(gone, again, left)


def corrected_outline(
    outline: NDArray[np.int64], no_cut: NDArray[np.int64], missed: NDArray[np.int64]
) -> NDArray[np.int64]:
    """An outline (`collector.outline`) as people's marks have it.

    Args:
        outline: detected facts; every cut that a mark touches must be in it.
        no_cut: shape (n, 2), marks ``no_cut``.
        missed: shape (m, 3), marks ``missed_cut``: start, end, place of the direction in `DIRECTIONS`.
    """
    if not len(no_cut) and not len(missed):
        return outline
    is_cut = outline[:, 0] == _CUT
    cuts = outline[is_cut]
    order = np.argsort(cuts[:, 1], kind="stable")
    cuts = cuts[order]
    found = match_all(no_cut, missed[:, :2], cuts[:, 1:3])
    again = found.missed >= 0
    cuts[found.missed[again], 3] = missed[again, 2]
    drawn = missed[~again]
    added = np.column_stack((np.full(len(drawn), _CUT), drawn))
    counted = np.concatenate((cuts[found.left], added))
    counted = counted[np.argsort(counted[:, 1], kind="stable")]
    return np.concatenate((outline[~is_cut], counted))


def corrected_facts(facts: Sequence[Fact], cuts: Sequence[Cut], marks: Sequence[Mark]) -> list[Fact]:
    """Facts as people's marks have them: cuts left out, drawn and turned, and the runs' counts with them.

    Args:
        facts: detected facts in any order, those wanted.
        cuts: every detected cut that a mark touches, in order of start; those not in ``facts`` too.
        marks: of the saw, none withdrawn.

    Returns:
        the facts, unordered, and all drawn cuts that stand for none of ``cuts``.
    """
    if not marks:
        return list(facts)
    no_cut = [m for m in marks if m.kind is MarkKind.NO_CUT]
    missed = [m for m in marks if m.kind is MarkKind.MISSED_CUT]
    found = match_all(_spans(no_cut), _spans(missed), _ends(cuts))
    gone = {cuts[i].start for i in found.no_cut.tolist() if i >= 0}
    turned = {cuts[i].start: m.direction for m, i in zip(missed, found.missed.tolist(), strict=True) if i >= 0}
    drawn = [m.cut for m, i in zip(missed, found.missed.tolist(), strict=True) if i < 0]
    out: list[Fact] = []
    for fact in facts:
        if isinstance(fact, Cut):
            if fact.start in gone:
                continue
            direction = turned.get(fact.start)
            out.append(fact if direction is None else replace(fact, direction=direction))
        elif isinstance(fact, Run):
            end = OPEN if fact.end is None else fact.end
            less = sum(fact.start <= start < end for start in gone)
            more = sum(fact.start <= cut.start < end for cut in drawn)
            out.append(replace(fact, cuts=max(0, fact.cuts - less + more)) if less or more else fact)
        else:
            out.append(fact)
    return out + drawn


def match_marks(marks: Sequence[Mark], cuts: Sequence[Cut]) -> list[Cut | None]:
    """The detected cut that each mark is about, as `match_all` finds them; for a missed cut the one found after all.

    Args:
        marks: of one saw, none withdrawn.
        cuts: detected ones, in order of start.
    """
    no_cut = [i for i, m in enumerate(marks) if m.kind is MarkKind.NO_CUT]
    missed = [i for i, m in enumerate(marks) if m.kind is MarkKind.MISSED_CUT]
    found = match_all(_spans([marks[i] for i in no_cut]), _spans([marks[i] for i in missed]), _ends(cuts))
    out: list[Cut | None] = [None] * len(marks)
    for places, rows in ((no_cut, found.no_cut), (missed, found.missed)):
        for i, row in zip(places, rows.tolist(), strict=True):
            out[i] = cuts[row] if row >= 0 else None
    return out


def drawn_cut(mark: Mark, direction: Direction, trace: Trace) -> Mark | None:
    """A drawn cut with what the trace says of it: its currents, and the idle current beside it.

    Idle is the median of the running motor's samples within 30 s of the cut's ends that lie below the cut's mean, or
    the lowest sample of the cut where there are none.

    Args:
        mark: the mark.
        direction: as chosen.
        trace: the readings from 30 s before the mark to 30 s after it.

    Returns:
        the mark with its currents; None: the motor has no reading in it.
    """
    t, v = trace.motor.t, trace.motor.v
    inside = v[(t >= mark.start) & (t < mark.end)]
    if not len(inside):
        return None
    mean = round(float(inside.mean()))
    beside = v[(t < mark.start) | (t >= mark.end)]
    idling = beside[(beside < mean) & (beside > mean // 4)]
    idle = int(np.median(idling)) if len(idling) else int(inside.min())
    return replace(mark, direction=direction, mean_ma=mean, peak_ma=int(inside.max()), idle_ma=idle)


def _spans(marks: Sequence[Mark]) -> NDArray[np.int64]:
    return np.array([(m.start, m.end) for m in marks], np.int64).reshape(-1, 2)


def _ends(cuts: Sequence[Cut]) -> NDArray[np.int64]:
    return np.array([(c.start, OPEN if c.end is None else c.end) for c in cuts], np.int64).reshape(-1, 2)


@dataclass(frozen=True, slots=True)
class Score:
    """How the detector did by what people said: cuts it found that are cuts, that are none, and those it missed."""

    right: int
    wrong: int
    missed: int

    @property
    def precision(self) -> float | None:
        """Share of the cuts found that are cuts; None where none was found."""
        return self.right / (self.right + self.wrong) if self.right + self.wrong else None

    @property
    def recall(self) -> float | None:
        """Share of the cuts that were found; None where there was none."""
        return self.right / (self.right + self.missed) if self.right + self.missed else None


def score(cuts: Sequence[Cut], marks: Sequence[Mark]) -> Score:
    """Detected cuts against marks: what nobody marked is taken as right, so look only where somebody looked.

    Args:
        cuts: detected ones, in order of start.
        marks: of the same stretch, none withdrawn.
    """
    no_cut = [m for m in marks if m.kind is MarkKind.NO_CUT]
    missed = [m for m in marks if m.kind is MarkKind.MISSED_CUT]
    found = match_all(_spans(no_cut), _spans(missed), _ends(cuts))
    return Score(int(found.left.sum()), int((~found.left).sum()), int((found.missed < 0).sum()))
