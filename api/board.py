"""The wall: what the screen that everybody sees shows of each saw today."""

from __future__ import annotations

import threading
from typing import TYPE_CHECKING, Any

import numpy as np
import orjson

from api.answers.cuts import CutCounts, count_cuts, cuts_by_hour
from api.answers.service_limits import limits_of
from api.answers.states import STATES, Mode, activity, trail
from api.answers.utilisation import Utilisation, utilisation
from collector.facts import SECOND, State, iso
from collector.outline import OPEN

if TYPE_CHECKING:
    from collections.abc import Sequence

    from numpy.typing import NDArray

    from api.answers.blades import Life
    from api.answers.intervals import Spans
    from api.answers.states import Extent, Trail
    from api.answers.usual import Usual
    from api.desk import Desk
    from api.rack import Rack
    from api.site import SawTitle
    from api.strip import Strip
    from api.usual import UsualDays
    from collector.book.entries import NowEntry


class _Day:
    """What the book said of one saw's day; good until a commit touches the saw or the day ends.

    What does not depend on the present is reckoned once.
    """

    def __init__(
        self,
        start: int,
        entry: NowEntry | None,
        extent: Extent,
        outline: NDArray[np.int64],
        blade: dict[str, Any] | None = None,
    ) -> None:
        self.start = start
        self.entry = entry
        self.extent = extent
        self.blade = blade
        self.counts = count_cuts(outline, start, OPEN)
        self.hours = cuts_by_hour(outline, start)
        self._act = activity(outline, extent, start if extent.last is None else extent.last)
        self._use: Utilisation | None = None
        self._ribbon: tuple[bytes, State, int] | None = None

    def utilisation(self, plan: Spans, busy_gap: int, now: int) -> Utilisation:
        """Utilisation since the day began."""
        until = max(self.extent.counted_until(now), self.start + 1)
        if self._use is None or self._use.end != until:
            (self._use,) = utilisation(self._act, plan, np.array([self.start, until]), busy_gap, until)
        return self._use

    def ribbon(self, now: int) -> orjson.Fragment:
        """States from the start of the day until ``now``, without holes, as JSON."""
        last = self.extent.last
        if last is None or last <= self.start:
            state = State.OFFLINE if last is None or not self.extent.fresh(now) else self._present
            return orjson.Fragment(b"[" + _stretch(state, self.start, now) + b"]")
        if now < last:  # the box's clock is ahead
            body, state, since = _encode(trail(self._act, self.start, now, modes=False))
            return orjson.Fragment(b"[" + body + _stretch(state, since, now) + b"]")
        if self._ribbon is None:
            self._ribbon = _encode(trail(self._act, self.start, last, modes=False))
        body, state, since = self._ribbon
        tail = self._present if self.extent.fresh(now) else State.OFFLINE
        if tail is state or now == last:
            return orjson.Fragment(b"[" + body + _stretch(state, since, now) + b"]")
        rest = _stretch(state, since, last) + b"," + _stretch(tail, last, now)
        return orjson.Fragment(b"[" + body + rest + b"]")

    @property
    def _present(self) -> State:
        return State.OFFLINE if self.entry is None else self.entry.state


def _stretch(state: State, start: int, end: int) -> bytes:
    return f'{{"state":"{state}","start":"{iso(start)}","end":"{iso(end)}"}}'.encode()


def _encode(found: Trail) -> tuple[bytes, State, int]:
    """All stretches but the last as JSON, each with a comma after it; state and start of the last."""
    ms = ((found.bounds[:-1] + 500) // 1000).astype("datetime64[ms]")
    times = np.datetime_as_string(ms, unit="ms").tolist()
    ranks = found.rank.tolist()
    rows = [
        f'{{"state":"{STATES[ranks[i]]}","start":"{times[i]}Z","end":"{times[i + 1]}Z"}},'
        for i in range(len(ranks) - 1)
    ]
    return "".join(rows).encode(), STATES[ranks[-1]], int(found.bounds[-2])


class Board:
    """Today's entry of each saw; reads only today's facts, and those only when a commit touched the saw."""

    def __init__(self, desk: Desk, rack: Rack, strip: Strip, days: UsualDays) -> None:
        self._desk = desk
        self._usual = days
        self._rack = rack
        self._strip = strip
        self._days: dict[str, _Day] = {}
        self._seen = -1  # book revision up to which _days are known to be good
        self._lock = threading.Lock()

    def wall(self, now: int) -> dict[str, Any]:
        """The whole wall as the API answers it; ribbons are JSON already."""
        desk = self._desk
        start, end = desk.today(now)
        plan = desk.planned(start, end)
        days = self._refresh(start, end)
        return {
            "site": desk.site.name,
            "title": desk.site.title,
            "zone": desk.site.zone,
            "now": iso(now),
            "day": desk.date(now),
            "day_start": iso(start),
            "day_end": iso(end),
            "planned": [{"start": iso(a), "end": iso(b)} for a, b in plan.tolist()],
            "saws": [
                {**self._entry(saw, days[saw.name], plan, now), "ribbon": days[saw.name].ribbon(now)}
                for saw in desk.site.saws
            ],
        }

    def entries(self, saws: Sequence[str], now: int) -> dict[str, dict[str, Any]]:
        """The entries of some saws, without ribbons."""
        desk = self._desk
        start, end = desk.today(now)
        plan = desk.planned(start, end)
        days = self._refresh(start, end)
        return {name: self._entry(desk.saws[name], days[name], plan, now) for name in saws}

    def heard(self, saw: str) -> int | None:
        """When the saw's box was last heard, as of the newest look at the book."""
        day = self._days.get(saw)
        return day.extent.heard if day else None

    def _refresh(self, start: int, end: int) -> dict[str, _Day]:
        desk, book = self._desk, self._desk.book
        with self._lock:
            revision = book.revision()  # before the facts: what comes in between is read again next time
            if revision < self._seen:  # another book took the place of the one that was read
                self._days.clear()
            touched = set(book.changed(self._seen)) if revision > self._seen else set()
            known = self._days
            stale = [n for n in desk.saws if n in touched or n not in known or known[n].start != start]
            if stale:
                nows = book.nows()
                sitting = self._rack.sitting(stale, end)
                for name in stale:
                    entry = nows.get(name)
                    outline = book.outline(name, start - desk.site.busy_gap, end)
                    blade = _blade(*sitting[name]) if name in sitting else None
                    self._days[name] = _Day(start, entry, desk.extent(name, entry), outline, blade)
            self._seen = revision
            return dict(self._days)

    def _entry(self, saw: SawTitle, day: _Day, plan: Spans, now: int) -> dict[str, Any]:
        return {
            **present(saw, day.entry, day.extent, now),
            "cuts": counts_of(day.counts),
            "hours": day.hours,
            "usual": _usual(self._usual.of(saw.name, now)),
            "blade": day.blade,
            "tending": self._strip.of(saw.name, now),
            "utilisation": ratios(day.utilisation(plan, self._desk.site.busy_gap, now)),
        }


def _usual(found: Usual | None) -> dict[str, Any] | None:
    if found is None:
        return None
    share = _rounded(found.allocation_efficiency)
    return {"allocation_efficiency": share, "cuts": round(found.cuts), "days": found.days}


def _blade(life: Life, cuts: int) -> dict[str, Any]:
    return {"tag": life.tag, "cuts": cuts, "limit": limits_of(life.sheet).cuts}


def present(saw: SawTitle, entry: NowEntry | None, extent: Extent, now: int) -> dict[str, Any]:
    """What is known of a saw's present: OFFLINE since its newest reading once its box is silent."""
    head = {"saw": saw.name, "title": saw.title}
    if entry is None:
        nothing = ("since", "last_reading", "age_seconds", "late_seconds", "amps", "locked", "station", "door_closed")
        return {**head, "state": State.OFFLINE, "mode": Mode.MANUAL, **dict.fromkeys(nothing)}
    fresh = extent.fresh(now)
    return {
        **head,
        "state": entry.state if fresh else State.OFFLINE,
        "mode": Mode.SETUP if fresh and entry.door_closed is False else Mode.MANUAL,
        "since": iso(entry.since if fresh else entry.at),
        "last_reading": iso(entry.at),
        "age_seconds": round(max(0, now - entry.at) / SECOND, 3),
        "late_seconds": round(extent.late / SECOND, 3),
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
