"""What the wall says of each saw's maintenance and alerts: a few counts, kept until somebody says or does something."""

from __future__ import annotations

import threading
from typing import TYPE_CHECKING

from api.answers.alert_kinds import KINDS
from api.answers.alerts import AlertState, Priority
from api.answers.calendar import DAY, site_date
from api.answers.occurrences import Verdict
from collector.book.alerts import AlertBook
from collector.facts import SECOND

if TYPE_CHECKING:
    from api.tending import Tending

KEPT = 60 * SECOND
"""Counts are made anew after this even where nobody said anything: days end by themselves."""
LOOK_BACK_DAYS = 60
MISSED_DAYS = 7

Counts = dict[str, int]


class Strip:
    """Counts of every saw; one reckoning a minute, or when a tick or an alert changed."""

    def __init__(self, tending: Tending) -> None:
        self._tending = tending
        self._alerts = AlertBook(tending.desk.book)
        self._lock = threading.Lock()
        self._seen: tuple[int, tuple[int, int], int] | None = None
        self._checked = 0
        self._counts: dict[str, Counts] = {}

    def of(self, saw: str, now: int) -> Counts:
        """One saw's counts, at most a second behind."""
        with self._lock:
            if not 0 <= now - self._checked < SECOND:
                seen = (now // KEPT, self._tending.book.mark(), self._alerts.mark())
                if seen != self._seen:
                    self._counts = self._reckon(now)
                    self._seen = seen
                self._checked = now
            return self._counts[saw]

    def _reckon(self, now: int) -> dict[str, Counts]:
        today = site_date(now, self._tending.desk.zone)
        found = {}
        for saw in self._tending.desk.saws:
            of = self._tending.occurrences(saw, today - LOOK_BACK_DAYS * DAY, today + DAY, now)
            verdicts = [(o.verdict(now), o.day) for o in of]
            tasks = self._tending.tasks().values()
            found[saw] = {
                "tasks": sum(t.active and (not t.saws or saw in t.saws) for t in tasks),
                "overdue": sum(v is Verdict.OVERDUE for v, _ in verdicts),
                "due": sum(v is Verdict.DUE for v, _ in verdicts),
                "missed": sum(v is Verdict.MISSED and day > today - MISSED_DAYS * DAY for v, day in verdicts),
                "alerts": 0,
                "urgent": 0,
            }
        for row in self._alerts.standing():
            kind = KINDS[row.kind]
            waits = row.state == AlertState.UNACKNOWLEDGED and not row.kind.startswith("task-")
            if row.saw in found and waits:
                found[row.saw]["alerts"] += 1
                found[row.saw]["urgent"] += kind.priority is Priority.HIGH
        return found
