"""What the blades tell the watch: reads the rack, and lets `api.answers.blade_alerts` judge."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

from api.answers.blade_alerts import limit_conditions, unconfirmed, wear_conditions, wear_spells
from api.answers.service_limits import limits_of
from api.rack import ASKED_DAYS, DAY, Rack
from collector.facts import SECOND

if TYPE_CHECKING:
    from collections.abc import Callable, Iterator

    from api.answers.alerts import Condition
    from api.answers.blades import Life, Service
    from api.answers.fittings import Fitting
    from api.rack import Said

KEPT = 60 * SECOND
"""A saw's conditions are reckoned again after this, or at once when something was said about blades."""
NEAR = 0.9
"""Share of a limit from which a blade is near it (*common practice, no source*: the spare one must be at hand)."""


@dataclass(frozen=True, slots=True)
class _Known:
    at: int
    start: int
    said: tuple[int, int, int]
    found: list[Condition]


class BladeWatch:
    """Conditions of blades, for `api.watch.Watch`.

    Args:
        rack: the site's blades.
        feed_m_min: for estimated metres [m/min].
        near: share of a limit from which a blade is near it.
    """

    def __init__(self, rack: Rack, feed_m_min: float, near: float = NEAR) -> None:
        self._rack = rack
        self._feed = feed_m_min
        self._near = near
        self._known: dict[str, _Known] = {}

    def conditions(self, saw: str, start: int, now: int) -> list[Condition]:
        """Conditions of a saw's blades that are on, or began or ended after ``start``."""
        size = self._rack.book.size()
        known = self._known.get(saw)
        if known is None or known.said != size or known.start > start or not 0 <= now - known.at < KEPT:
            found = list(self._reckon(saw, start, now))
            known = self._known[saw] = _Known(now, start, size, found)
        return known.found

    def _reckon(self, saw: str, start: int, now: int) -> Iterator[Condition]:
        said = _said(self._rack, now)
        for life, service, sat in _sitting(said, saw, start, now):
            cuts = self._rack.counting(service, now)
            yield from limit_conditions(sat, cuts, limits_of(life.sheet), self._feed, self._near)
            chart = self._rack.wear(service, now).chart
            if chart is not None:
                yield from wear_conditions(sat, chart)
        asked = ASKED_DAYS * DAY
        openings = self._rack.openings(saw, start - asked, now)
        yield from unconfirmed(saw, openings, (c for c in said.changes if c.saw == saw), asked)


def wear_sign(rack: Rack, first_days: int = 60) -> Callable[[str, int], list[tuple[int, int | None]]]:
    """When a saw's blade cut heavier than when it was fresh, in the last days: a sign that makes tasks due."""

    def shown(saw: str, now: int) -> list[tuple[int, int | None]]:
        found: list[tuple[int, int | None]] = []
        for _, service, sat in _sitting(_said(rack, now), saw, now - first_days * DAY, now):
            chart = rack.wear(service, now).chart
            found += [] if chart is None else [(a, b) for a, b, _ in wear_spells(sat, chart)]
        return sorted(found, key=lambda spell: spell[0])

    return shown


def _said(rack: Rack, now: int) -> Said:
    """What had been said by now; where the clock is replayed, later words are not heard yet."""
    said = rack.said()
    later = any(c.said_us > now for c in said.changes) or any(e.said_us > now for e in said.events)
    return rack.said_until(now) if later else said


def _sitting(said: Said, saw: str, start: int, now: int) -> Iterator[tuple[Life, Service, Fitting]]:
    """The blades that sat on a saw between two moments."""
    for life in said.lives.values():
        for service in life.services:
            for sat in service.fittings:
                if sat.saw == saw and sat.end > start and sat.start < now:
                    yield life, service, sat
