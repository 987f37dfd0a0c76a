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

from api.answers.intervals import Spans, intersect, spans, subtract, union

if TYPE_CHECKING:
    from api.answers.states import Activity


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


def busy(act: Activity, busy_gap: int) -> Spans:
    """Time in use that is known: motor running, and short pauses between cuts."""
    return intersect(union(union(act.runs, act.cuts), short_pauses(act.cut_rows, busy_gap)), act.known)


@dataclass(frozen=True)
class Elements:
    """The elements of some planned time.

    Args:
        act: what the saw did; must reach ``busy_gap`` beyond both ends of ``plan``.
        plan: planned working time, none of it to come.
        busy_gap: longest pause in use, microseconds, itself not in use.
    """

    act: Activity
    plan: Spans
    busy_gap: int

    @cached_property
    def known(self) -> Spans:
        """Planned time that has data: PBT."""
        return intersect(self.plan, self.act.known)

    @cached_property
    def use(self) -> Spans:
        """Time in use, planned or not."""
        return busy(self.act, self.busy_gap)

    @cached_property
    def in_use(self) -> Spans:
        """Planned time in use: AUBT."""
        return intersect(self.use, self.known)

    @cached_property
    def cutting(self) -> Spans:
        """Planned time in WORKING: APT."""
        return intersect(self.act.working, self.known)

    @cached_property
    def extra(self) -> Spans:
        """Time in use outside the plan."""
        return subtract(self.use, self.plan)

    @cached_property
    def handling(self) -> Spans:
        """Planned time between two cuts that are less than the busy gap apart."""
        return subtract(intersect(short_pauses(self.act.cut_rows, self.busy_gap), self.known), self.cutting)

    def why_not(self) -> dict[Reason, Spans]:
        """The planned time that was not used, by reason."""
        rest = subtract(self.known, self.in_use)
        return {
            Reason.IDLING: subtract(subtract(self.in_use, self.cutting), self.handling),
            Reason.DOOR: intersect(rest, self.act.doors),
            Reason.STANDING: subtract(rest, self.act.doors),
            Reason.NO_DATA: subtract(self.plan, self.act.known),
        }
