"""The demo's blades, and what the crew said about every opening of a saw's door.

The newest change is the exception: it waits for whoever looks at the demo. What was said once is not said
again at the next start, and what the visitor answered is left alone.
"""

from __future__ import annotations

import datetime as dt
from typing import TYPE_CHECKING

from api.answers.candidates import Opening, openings, unanswered
from api.answers.fittings import CHANGE, CLEANED
from collector.book.blade_entries import BladeEvent, BladeSheet, ChangeSaid, EventKind, Fate, SheetSaid
from collector.book.blades import BladeBook
from collector.book.book import Book
from collector.facts import SECOND
from dashboard.demo.days import SEED
from dashboard.demo.shifts import moved_plan
from simulator import world
from simulator.crew import local_us

if TYPE_CHECKING:
    from collections.abc import Sequence

HOUR = 3600 * SECOND
DAY = 24 * HOUR

SHEETS = {
    tag: BladeSheet(
        tag,
        diameter_mm=300.0 if k % 2 else 280.0,
        teeth=(60, 72, 96, 72)[k % 4],
        tooth_form=("trapezoidal and flat", "alternate bevel", "trapezoidal and flat", "hollow and flat")[k % 4],
        kerf_mm=3.2,
        max_rpm=6500 if k % 2 else 7000,
        sharpenings_limit=(12, 10, 12, 8)[k % 4],
        limit_cuts=2700,
        limit_minutes=380,
        limit_metres=4600,
        price_cents=(9800, 7400, 11_200, 8600)[k % 4],
    )
    for k, tag in enumerate(world.BLADES)
}
SHARPENING_CENTS = {"trapezoidal and flat": 1650, "alternate bevel": 1400, "hollow and flat": 2100}


def enter_blades(url: str, moved: dict[dt.date, int], days: Sequence[dt.date], now_us: int) -> None:
    """Write the demo's blades into a book whose past is filled.

    Args:
        url: SQLAlchemy address of the book.
        moved: days with a moved shift, by the minute of their start.
        days: the days of the past, today last.
        now_us: the present.
    """
    with Book(url) as book:
        _Crew(BladeBook(book), now_us).speak(moved, days)


class _Crew:
    """Says what the shop's people said."""

    def __init__(self, book: BladeBook, now_us: int) -> None:
        self._book = book
        self._now = now_us

    def speak(self, moved: dict[dt.date, int], days: Sequence[dt.date]) -> None:
        begun = local_us(days[0], dt.time(), world.ZONE)
        for tag, sheet in SHEETS.items():
            self._book.say_sheet(SheetSaid(f"demo-{tag}", begun, "maintenance lead", sheet))
        found = {saw: self._openings(saw, begun) for saw in world.SAWS}
        changes = {saw: self._changes(saw, moved, days, found[saw]) for saw in world.SAWS}
        newest = max((o.start for own in changes.values() for o, _ in own), default=None)
        answered = [c.at_us for c in self._book.changes()]
        for saw, own in changes.items():
            first = next(iter(world.fittings(saw, days[0], 1, SEED)))[1]
            self._change(saw, begun, begun, first, f"demo-{saw}-first")
            waiting = unanswered(found[saw], answered)
            put_in = {o.start: tag for o, tag in own}
            sits = first
            for opening in found[saw]:
                if opening.start == newest:
                    continue
                went_in = put_in.get(opening.start)
                if opening in waiting:
                    self._answer(saw, opening, went_in)
                if went_in is not None:
                    self._sharpen(sits, opening.end)
                    sits = went_in

    def _openings(self, saw: str, begun: int) -> list[Opening]:
        visits, runs = self._book.door_visits(saw, begun, self._now)
        return openings([(v.start_us, v.end_us) for v in visits], [(r.start_us, r.end_us) for r in runs])

    @staticmethod
    def _changes(
        saw: str, moved: dict[dt.date, int], days: Sequence[dt.date], found: list[Opening]
    ) -> list[tuple[Opening, str]]:
        """The openings at which a blade was changed, and the one that went in: the saw's blades in turn."""
        planned = world.fittings(saw, days[0], len(days), SEED)
        at = [t for t, _ in planned[1:] if dt.datetime.fromtimestamp(t / SECOND, world.ZONE).date() not in moved]
        on_moved = ((day, moved_plan(saw, day, SEED, start).blade_change) for day, start in moved.items())
        at += [local_us(day, change, world.ZONE) for day, change in on_moved if change is not None]
        own = [tag for tag in world.BLADES if (tag in world.BLADES[0::2]) == (planned[0][1] in world.BLADES[0::2])]
        turn = own.index(planned[0][1])
        out = []
        for t in sorted(at):
            visit = next((o for o in found if t <= o.start < t + 2 * HOUR), None)
            if visit is not None:
                turn = (turn + 1) % len(own)
                out.append((visit, own[turn]))
        return out

    def _answer(self, saw: str, opening: Opening, tag: str | None) -> None:
        """Most are answered within minutes; one in four the next morning."""
        key = f"demo-{saw}-{opening.start // SECOND}"
        late = opening.start // SECOND % 4 == 0
        said = opening.end + (15 * HOUR if late else 240 * SECOND)
        if said >= self._now:
            said = opening.end
        if tag is None:
            self._book.say_change(ChangeSaid(key, said, "operator", saw, CLEANED, opening.middle))
        else:
            self._change(saw, opening.middle, said, tag, key)

    def _change(self, saw: str, at: int, said: int, tag: str, key: str) -> None:
        self._book.say_change(ChangeSaid(key, said, "operator", saw, CHANGE, at, tag, Fate.SHARPEN))

    def _sharpen(self, tag: str, out: int) -> None:
        """The blade that came out goes to the sharpener the next day and is back after about a week."""
        sheet = SHEETS[tag]
        back = 6 * DAY + out // SECOND % 4 * DAY
        stations = ((EventKind.SENT, DAY, None), (EventKind.RETURNED, back, SHARPENING_CENTS[sheet.tooth_form]))
        for kind, after, price in stations:
            at = out + after
            if at < self._now:
                key = f"demo-{tag}-{kind}-{out // SECOND}"
                self._book.say_event(BladeEvent(key, at, "maintenance lead", tag, kind, at, price))
