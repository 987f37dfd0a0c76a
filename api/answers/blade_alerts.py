"""What somebody must be told of blades: near a limit, at it, cutting heavier, a change that nobody confirmed. Pure.

Limits and wear are read off the cuts themselves, so that an alert begins at the cut that crossed the line, whenever
somebody looks; it is over when the blade comes off the saw.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from api.answers.alerts import Condition, Key
from api.answers.fittings import CHANGE, CLEANED, root, standing
from api.answers.service_limits import spent, use_of
from collector.outline import OPEN

if TYPE_CHECKING:
    from collections.abc import Iterable, Iterator, Sequence

    from numpy.typing import NDArray

    from api.answers.candidates import Opening
    from api.answers.fittings import Fitting
    from api.answers.service_limits import Limits
    from api.answers.wear import Chart
    from collector.book.blade_entries import ChangeSaid


def crossings(
    cuts: NDArray[np.int64], limits: Limits, feed_m_min: float, shares: Sequence[float]
) -> list[tuple[int, str, int, int] | None]:
    """For each share of the limits, the cut with which a service reached it.

    Args:
        cuts: start and end of each cut of the service, in order of start; shape (n, 2), microseconds UTC. One that
            is still going on does not count.
        limits: of the blade.
        feed_m_min: for the estimated metres [m/min].
        shares: 1 is the limit itself; by whichever measure comes first.

    Returns:
        Each None while it is not reached, else: the end of that cut, the measure that came first, how much of it was
        used by then, and its limit.
    """
    done = cuts[cuts[:, 1] < OPEN]
    number = np.arange(1, len(done) + 1)
    cutting = np.cumsum(done[:, 1] - done[:, 0])
    minutes = cutting / 60e6
    share = np.maximum.reduce([number / limits.cuts, minutes / limits.minutes, minutes * feed_m_min / limits.metres])
    found: list[tuple[int, str, int, int] | None] = []
    for wanted in shares:
        i = int(np.searchsorted(share, wanted))
        if i == len(share):
            found.append(None)
            continue
        use = use_of(int(number[i]), int(cutting[i]), feed_m_min)
        by = spent(use, limits).by
        found.append((int(done[i, 1]), by, int(getattr(use, by)), int(getattr(limits, by))))
    return found


def limit_conditions(
    sat: Fitting, cuts: NDArray[np.int64], limits: Limits, feed_m_min: float, near: float
) -> Iterator[Condition]:
    """A blade near its limit, from the share ``near`` until the limit; and at it, until it comes off.

    Args:
        sat: the time it sits on the saw; it has a tag.
        cuts: all cuts of its service, as in `crossings`.
        limits: of the blade.
        feed_m_min: for the estimated metres [m/min].
        near: share of the limit.
    """
    first, last = crossings(cuts, limits, feed_m_min, (near, 1.0))
    reached = OPEN if last is None else last[0]
    for kind, at, until in (("blade-limit-near", first, reached), ("blade-limit", last, OPEN)):
        if at is None:
            continue
        when, by, used, limit = at
        start, end = max(when, sat.start), min(until, sat.end)
        if start < end:
            detail = {"by": by, "used": used, "limit": limit}
            yield Condition(Key(kind, sat.saw, sat.tag or ""), start, None if end == OPEN else end, detail)


def wear_spells(sat: Fitting, chart: Chart) -> Iterator[tuple[int, int | None, float]]:
    """When a blade cuts heavier while it sits on the saw: from, until, and how much heavier when it was seen.

    The last is the load of the newest cuts over that of the fresh blade, for like cuts.
    """
    for on, off in chart.spells:
        start = max(int(chart.start[on]), sat.start)
        end = sat.end if off is None else min(int(chart.start[off]), sat.end)
        if start < end:
            yield start, None if end == OPEN else end, float(np.exp(chart.z[on]))


def wear_conditions(sat: Fitting, chart: Chart) -> Iterator[Condition]:
    """A blade cuts heavier than when it was fresh."""
    for start, end, ratio in wear_spells(sat, chart):
        detail = {"percent": round(100 * (ratio - 1))}
        yield Condition(Key("blade-wear", sat.saw, sat.tag or ""), start, end, detail)


def unconfirmed(saw: str, found: Iterable[Opening], said: Iterable[ChangeSaid], asked: int) -> Iterator[Condition]:
    """Openings of the door that may have been a change, until somebody says what they were.

    Args:
        saw: the saw.
        found: its openings.
        said: everything said so far about changes on it.
        asked: an opening is asked about for so long, microseconds.
    """
    entries = list(said)
    first: dict[int, int] = {}
    for entry in entries:
        first[root(entry)] = min(first.get(root(entry), entry.said_us), entry.said_us)
    answers = [(c.at_us, first[root(c)]) for c in standing(entries) if c.kind in {CHANGE, CLEANED}]
    for opening in found:
        told = min((said_us for at, said_us in answers if opening.holds(at)), default=OPEN)
        end = min(told, opening.end + asked)
        if opening.end < end:
            yield Condition(Key("blade-change-unconfirmed", saw), opening.end, end)
