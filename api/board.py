"""The wall: what the screen that everybody sees shows of each saw today."""

from __future__ import annotations

import threading
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

import numpy as np

from api.answers.cuts import CutCounts, count_cuts
from api.answers.states import Mode, Stretch, activity, timeline
from api.answers.utilisation import Utilisation, utilisation
from collector.facts import SECOND, State, iso

if TYPE_CHECKING:
    from collections.abc import Sequence

    from api.answers.intervals import Spans
    from api.answers.states import Extent
    from api.desk import Desk
    from api.site import SawTitle
    from collector.book.entries import NowEntry
    from collector.facts import Fact


@dataclass(frozen=True, slots=True)
class _Read:
    """What the book said of a saw's day, and when: good until a commit touches the saw."""

    day: int
    entry: NowEntry | None
    extent: Extent
    facts: Sequence[Fact]


class Board:
    """Today's entry of each saw; reads only today's facts, and those only when a commit touched the saw."""

    def __init__(self, desk: Desk) -> None:
        self._desk = desk
        self._reads: dict[str, _Read] = {}
        self._seen = -1  # book revision up to which _reads are known to be good
        self._lock = threading.Lock()

    def wall(self, now: int) -> dict[str, Any]:
        """The whole wall as the API answers it."""
        desk = self._desk
        start, end = desk.today(now)
        plan = desk.planned(start, end)
        reads = self._refresh(start, end)
        return {
            "site": desk.site.name,
            "title": desk.site.title,
            "zone": desk.site.zone,
            "now": iso(now),
            "day": desk.date(now),
            "day_start": iso(start),
            "day_end": iso(end),
            "planned": [{"start": iso(int(a)), "end": iso(int(b))} for a, b in plan],
            "saws": [
                {
                    **self._entry(saw, reads[saw.name], plan, start, now),
                    "ribbon": ribbon(reads[saw.name], start, now),
                }
                for saw in desk.site.saws
            ],
        }

    def entries(self, saws: Sequence[str], now: int) -> dict[str, dict[str, Any]]:
        """The entries of some saws, without ribbons."""
        desk = self._desk
        start, end = desk.today(now)
        plan = desk.planned(start, end)
        reads = self._refresh(start, end)
        return {name: self._entry(desk.saws[name], reads[name], plan, start, now) for name in saws}

    def last_reading(self, saw: str) -> int | None:
        """Newest reading of the saw as of the newest look at the book."""
        read = self._reads.get(saw)
        return read.extent.last if read else None

    def _refresh(self, start: int, end: int) -> dict[str, _Read]:
        desk, book = self._desk, self._desk.book
        with self._lock:
            revision = book.revision()  # before the facts: what comes in between is read again next time
            if revision < self._seen:  # another book took the place of the one that was read
                self._reads.clear()
            touched = set(book.changed(self._seen)) if revision > self._seen else set()
            stale = {
                n for n in desk.saws if n in touched or n not in self._reads or self._reads[n].day != start
            }
            if stale:
                nows = book.nows()
                for name in stale:
                    entry = nows.get(name)
                    gap = desk.site.busy_gap
                    facts = book.facts(name, start - gap, end)
                    self._reads[name] = _Read(start, entry, desk.extent(name, entry), facts)
            self._seen = revision
            return dict(self._reads)

    def _entry(self, saw: SawTitle, read: _Read, plan: Spans, start: int, now: int) -> dict[str, Any]:
        act = activity(read.facts, read.extent, read.extent.last or now)
        until = read.extent.counted_until(now)
        (use,) = utilisation(
            act, plan, np.array([start, max(now, start + 1)]), self._desk.site.busy_gap, until
        )
        return {
            **present(saw, read.entry, read.extent, now),
            "cuts": counts_of(count_cuts(read.facts, start, now + SECOND)),
            "utilisation": ratios(use),
        }


def present(saw: SawTitle, entry: NowEntry | None, extent: Extent, now: int) -> dict[str, Any]:
    """What is known of a saw's present: OFFLINE since its newest reading once that is too old."""
    head = {"saw": saw.name, "title": saw.title}
    if entry is None:
        nothing = ("since", "last_reading", "age_seconds", "amps", "locked", "station", "door_closed")
        return {**head, "state": State.OFFLINE, "mode": Mode.MANUAL, **dict.fromkeys(nothing)}
    fresh = extent.fresh(now)
    return {
        **head,
        "state": entry.state if fresh else State.OFFLINE,
        "mode": Mode.SETUP if entry.door_closed is False else Mode.MANUAL,
        "since": iso(entry.since if fresh else entry.at),
        "last_reading": iso(entry.at),
        "age_seconds": round(max(0, now - entry.at) / SECOND, 3),
        "amps": None if entry.amps_ma is None or not fresh else entry.amps_ma / 1000,
        "locked": entry.locked if fresh else None,
        "station": entry.station if fresh else None,
        "door_closed": entry.door_closed if fresh else None,
    }


def counts_of(counts: CutCounts) -> dict[str, int]:
    """Counts of cuts as the API answers them."""
    return {
        "vertical": counts.vertical,
        "horizontal": counts.horizontal,
        "unknown": counts.unknown,
        "total": counts.total,
    }


def ratios(use: Utilisation) -> dict[str, float | None]:
    """Ratios, 0 to 1, and the times behind them, in seconds."""
    return {
        "allocation_efficiency": _rounded(use.allocation_efficiency),
        "availability": _rounded(use.availability),
        "utilization_efficiency": _rounded(use.utilization_efficiency),
        "coverage": _rounded(use.coverage),
        "apt_seconds": use.apt / SECOND,
        "aubt_seconds": use.aubt / SECOND,
        "pbt_seconds": use.pbt / SECOND,
        "planned_seconds": use.planned / SECOND,
        "extra_seconds": use.extra / SECOND,
    }


def _rounded(ratio: float | None) -> float | None:
    return None if ratio is None else round(ratio, 6)


def ribbon(read: _Read, start: int, now: int) -> list[dict[str, str | None]]:
    """States from ``start`` to ``now`` without holes, whatever the mode."""
    act = activity(read.facts, read.extent, read.extent.drawn_until(now))
    joined: list[Stretch] = []
    for s in timeline(act, start, now):
        if joined and joined[-1].state is s.state:
            joined[-1] = Stretch(s.state, s.mode, joined[-1].start, s.end)
        else:
            joined.append(s)
    return [{"state": s.state, "start": iso(s.start), "end": iso(s.end)} for s in joined]
