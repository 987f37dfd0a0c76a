"""Keeps the points of facts and states in InfluxDB as the book has them: written, corrected, and taken back.

Day by day in UTC: what the database holds of a day is compared with what the book says, and the difference is written.
So it can be broken off anywhere and done any number of times, and a server that was away gets what it missed. Days that
are over and were written are not looked at again until something changes their facts (`collector.book.mirrored`).
"""

from __future__ import annotations

import logging
import threading
from typing import TYPE_CHECKING, Final

from api.answers.points import MEASUREMENTS, points_of
from api.answers.states import timeline
from collector.book.mirrored import MirroredDays
from collector.facts import SECOND
from collector.trace.store import TraceError

if TYPE_CHECKING:
    from api.desk import Desk
    from collector.book.leases import Leases
    from collector.trace.influx_points import InfluxPoints

log = logging.getLogger(__name__)

DAY: Final = 86_400 * SECOND
_OVER: Final = 600 * SECOND  # a day is over when its end is so long ago
_LEASE: Final = "points"  # two at once could each confirm what the other had not yet written
_LOOK_S: Final = 15.0
_PAUSE_S: Final = 0.05


class FactMirror:
    """A thread that keeps the points of all saws.

    Args:
        desk: site and book.
        points: where they go.
        leases: of this process, where others may do the same; None: there are none.
    """

    def __init__(self, desk: Desk, points: InfluxPoints, leases: Leases | None = None) -> None:
        self._desk, self._points, self._leases = desk, points, leases
        self._days = MirroredDays(desk.book.engine)
        self._seen = -1
        self._prepared = False
        self._stop = threading.Event()
        self._thread = threading.Thread(target=self._run, name="kerfbook-points", daemon=True)

    def start(self) -> None:
        """Begin."""
        self._thread.start()

    def stop(self) -> None:
        """End; the day in hand is finished."""
        self._stop.set()
        if self._thread.is_alive():
            self._thread.join(15)

    def round(self) -> tuple[int, int]:
        """Bring everything up to date; returns how many points were written and how many taken back.

        Raises:
            TraceError: the server failed; another round goes on.
        """
        if not self._prepared:
            self._points.prepare()
            self._prepared = True
        now, revision = self._desk.now(), self._desk.book.revision()
        changed = set(self._desk.book.changed(self._seen))
        written = dropped = 0
        for saw in self._desk.saws:
            for day in self._due(saw, now, saw in changed):
                if self._stop.is_set():
                    return written, dropped
                over = day + DAY + _OVER <= now
                if over:
                    self._days.begin(saw, day)
                more, less = self._write(saw, day, now)
                written, dropped = written + more, dropped + less
                if over:
                    self._days.confirm(saw, day)
                if self._thread.is_alive():
                    self._stop.wait(_PAUSE_S)
        self._seen = revision
        return written, dropped

    def _due(self, saw: str, now: int, changed: bool) -> list[int]:
        """Days to look at: those that are over and not done, and running ones of a saw of which something is new."""
        begun = self._desk.extent(saw, self._desk.book.now(saw), kept=0).first
        if begun is None:
            return []
        done = self._days.done(saw)
        days = [day for day in range(begun // DAY * DAY, now + 1, DAY) if day not in done]
        return [day for day in days if changed or day + DAY + _OVER <= now]

    def _write(self, saw: str, day: int, now: int) -> tuple[int, int]:
        end = day + DAY
        facts = [fact for fact in self._desk.book.facts(saw, day, end) if day <= fact.start < end]
        entry = self._desk.book.now(saw)
        until = self._desk.extent(saw, entry).counted_until(now)
        stretches = timeline(self._desk.activity(saw, day, end, until, entry), day, min(end, until))
        if stretches and until < end:
            stretches.pop()  # it is still going on
        wanted = {point.key: point for point in points_of(facts, stretches)}
        held = self._points.read(saw, day, end, MEASUREMENTS)
        stale = [key for key, rows in held.items() if key not in wanted or rows != [wanted[key].columns()]]
        for name in MEASUREMENTS:
            self._points.drop(saw, name, [at for measurement, at in stale if measurement == name])
        fresh = [point for key, point in wanted.items() if key not in held or key in stale]
        self._points.write(saw, [(p.measurement, p.at_us, p.tags, p.fields) for p in fresh])
        return len(fresh), len(stale)

    def _run(self) -> None:
        failing, wait = False, 0.0
        while not self._stop.wait(wait):
            wait = _LOOK_S
            try:
                if self._leases is None or self._leases.take([_LEASE]):
                    self.round()
                failing = False
            except TraceError as error:
                if not failing:
                    log.warning("facts are not written as points for now: %s", error)
                failing = True
            except Exception:  # a database that is away for a while must not end the mirror for ever
                if not failing:
                    log.exception("facts are not written as points for now; it goes on trying")
                failing = True
