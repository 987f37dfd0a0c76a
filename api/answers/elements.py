"""Where planned time went: time elements of ISO 22400-2, and the planned time that was not used by reason.

All of planned time falls into exactly one of these, by what is known of the saw:

| element | the saw | counts as |
| --- | --- | --- |
| cutting | WORKING: APT | in use |
| handling | between two cuts less than the busy gap apart, motor on or off | in use |
| idling | motor running, none of the two above | in use, and still nobody worked: a reason |
| door | not in use, blade door open | not in use: a reason |
| standing | not in use, door closed or not known | not in use: a reason |
| no_data | nothing is known | neither: a reason |

In use, AUBT, is cutting + handling + idling; known, PBT, is all but the last.
"""

from __future__ import annotations

from dataclasses import dataclass
from enum import StrEnum
from functools import cached_property
from typing import TYPE_CHECKING

import numpy as np

from api.answers.intervals import NOTHING, Spans, bounds, inside, runs_of, spans

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from api.answers.states import Activity

    _Pieces = NDArray[np.bool_]


class Reason(StrEnum):
    """Why planned time was not used."""

    IDLING = "idling"
    DOOR = "door"
    STANDING = "standing"
    NO_DATA = "no_data"


def short_pauses(cut_rows: Spans, busy_gap: int) -> Spans:
    """The pauses between a cut's end and the next one's start, those below ``busy_gap`` microseconds."""
    if len(cut_rows) < 2:
        return spans([])
    starts, ends = cut_rows[:-1, 1], cut_rows[1:, 0]
    return spans(np.column_stack((starts, ends))[ends - starts < busy_gap])


@dataclass(frozen=True)
class Elements:
    """The elements of some planned time.

    All are made on one grid, the bounds of everything that matters: what a piece of it belongs to is asked once.

    Args:
        act: what the saw did; must reach ``busy_gap`` beyond both ends of ``plan``.
        plan: planned working time, none of it to come.
        busy_gap: longest pause in use, microseconds, itself not in use.
    """

    act: Activity
    plan: Spans
    busy_gap: int

    @cached_property
    def _pauses(self) -> Spans:
        return short_pauses(self.act.cut_rows, self.busy_gap)

    @cached_property
    def _grid(self) -> NDArray[np.int64]:
        act = self.act
        return bounds(act.known, act.runs, act.cuts, act.errors, act.doors, self._pauses, self.plan)

    def _of(self, a: Spans) -> _Pieces:
        return inside(a, self._grid[:-1])

    def _spans(self, pieces: _Pieces) -> Spans:
        return runs_of(self._grid, pieces) if len(self._grid) else NOTHING

    @cached_property
    def _planned(self) -> _Pieces:
        return self._of(self.plan)

    @cached_property
    def _heard(self) -> _Pieces:
        return self._of(self.act.known)

    @cached_property
    def _known(self) -> _Pieces:
        return self._planned & self._heard

    @cached_property
    def _paused(self) -> _Pieces:
        return self._of(self._pauses)

    @cached_property
    def _cuts(self) -> _Pieces:
        return self._of(self.act.cuts)

    @cached_property
    def _use(self) -> _Pieces:
        return (self._of(self.act.runs) | self._cuts | self._paused) & self._heard

    @cached_property
    def _cutting(self) -> _Pieces:
        return self._cuts & ~self._of(self.act.errors) & self._known

    @cached_property
    def _handling(self) -> _Pieces:
        return self._paused & self._known & ~self._cutting

    @cached_property
    def known(self) -> Spans:
        """Planned time that has data: PBT."""
        return self._spans(self._known)

    @cached_property
    def use(self) -> Spans:
        """Time in use, planned or not: motor running, and short pauses between cuts."""
        return self._spans(self._use)

    @cached_property
    def in_use(self) -> Spans:
        """Planned time in use: AUBT."""
        return self._spans(self._use & self._known)

    @cached_property
    def cutting(self) -> Spans:
        """Planned time in WORKING: APT."""
        return self._spans(self._cutting)

    @cached_property
    def extra(self) -> Spans:
        """Time in use outside the plan."""
        return self._spans(self._use & ~self._planned)

    @cached_property
    def handling(self) -> Spans:
        """Planned time between two cuts that are less than the busy gap apart."""
        return self._spans(self._handling)

    @cached_property
    def door(self) -> Spans:
        """Planned time not in use with the door open."""
        return self._spans(self._known & ~self._use & self._of(self.act.doors))

    def why_not(self) -> dict[Reason, Spans]:
        """The planned time that was not used, by reason."""
        return {
            Reason.IDLING: self._spans(self._use & self._known & ~self._cutting & ~self._handling),
            Reason.DOOR: self.door,
            Reason.STANDING: self._spans(self._known & ~self._use & ~self._of(self.act.doors)),
            Reason.NO_DATA: self._spans(self._planned & ~self._heard),
        }
