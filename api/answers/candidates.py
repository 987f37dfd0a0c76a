"""Openings of the blade door that may have been a change of the blade: questions, never facts.

A blade is changed with the motor off and the door open for a while. So are many other things done, cleaning first of
all; whoever was there is asked.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

from api.answers.intervals import spans, subtract
from collector.facts import SECOND

if TYPE_CHECKING:
    from collections.abc import Iterable, Sequence

CHANGE_SECONDS = 60.0
"""A change takes at least this long with the door open and the motor off (*common practice, no source*)."""


@dataclass(frozen=True, slots=True)
class Opening:
    """The door was open from ``start`` to ``end``, long enough with the motor off for a change of the blade."""

    start: int
    end: int

    @property
    def middle(self) -> int:
        """The moment that stands for it: no cut can start then, even if later data move its ends a little."""
        return (self.start + self.end) // 2

    def holds(self, at: int) -> bool:
        """Whether a moment lies in it."""
        return self.start <= at <= self.end


def openings(
    visits: Iterable[tuple[int, int | None]],
    runs: Iterable[tuple[int, int | None]],
    seconds: float = CHANGE_SECONDS,
) -> list[Opening]:
    """The door visits that may have been a change, in order.

    A visit counts when the motor was off for longer than ``seconds`` at a stretch and the door is closed again.
    Where the box was silent meanwhile, the motor is taken to be off: a question too many costs a tap.

    Args:
        visits: start and end of each opening of the door, microseconds UTC; end None: still open.
        runs: start and end of the motor's runs; end None: still running.
        seconds: the least time for a change.
    """
    least = seconds * SECOND
    running = spans([(a, 2**62 if b is None else b) for a, b in runs])
    found = []
    for start, end in visits:
        if end is None:
            continue
        off = subtract(spans([(start, end)]), running)
        if len(off) and int((off[:, 1] - off[:, 0]).max()) > least:
            found.append(Opening(start, end))
    return sorted(found, key=lambda o: o.start)


def unanswered(found: Iterable[Opening], answered_at: Sequence[int]) -> list[Opening]:
    """The openings about which nobody has said anything: no answer's moment lies in them."""
    return [o for o in found if not any(o.holds(at) for at in answered_at)]
