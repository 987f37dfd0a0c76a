"""How long the wall takes with a year of ten saws, about a million cuts, in the book.

Run: ``python -m tests.bench.bench_wall [folder]``. A folder keeps the filled book for the next run.

*cold*: a commit touched all ten saws since the last time, so today's facts are read again. *warm*: nothing
changed. *live*: what the live stream does on such a commit, entries without ribbons. *first*: the first wall
of a process. Growth: the same, cold, with a week in the book.
"""

from __future__ import annotations

import resource
import sys
import tempfile
import time
from pathlib import Path

import numpy as np

from api.answers.calendar import Shift, ShiftPlan
from api.app import EXTENSION, close_api, create_api
from api.door.guest import Visitors
from api.site import SawTitle, Site
from collector.book.book import Book
from collector.book.entries import NowEntry, SawCommit, SawEntry
from collector.facts import SECOND, Cut, Direction, DoorVisit, Fact, Gap, Run, State, parse_iso
from collector.trace.sqlite import SqliteTrace

DAY = 86_400 * SECOND
NOON = parse_iso("2026-03-02T15:29:00Z")  # the end of a shift: the most that a day holds
SAWS = [f"saw-{i}" for i in range(10)]
PLAN = ShiftPlan(((Shift.parse("07:00-15:30", ["10:00-10:15", "12:30-13:00"]),),) * 7)
SITE = Site("bench", "Bench", "Europe/Lisbon", tuple(SawTitle(s, s.title()) for s in SAWS), PLAN)
CUTS_A_DAY = 274  # a million a year on ten saws


def touch(book: Book) -> None:
    """A commit of all saws: what was kept of today is asked for anew."""
    now = [NowEntry(s, NOON, State.STANDBY, NOON, 0, True, None, True, 0) for s in SAWS]
    book.commit([SawCommit(n.saw, now=n) for n in now])


def day_of(saw: str, start: int) -> list[Fact]:
    """A day's facts: 39 runs of 7 cuts and one of 1, a door visit, a gap."""
    begin, facts = start + 7 * 3600 * SECOND, []
    for i in range(0, CUTS_A_DAY, 7):
        at = begin + i // 7 * 750 * SECOND
        n = min(7, CUTS_A_DAY - i)
        facts.append(Run(saw, at, at + 500 * SECOND, 41_200, 2_900_000, n))
        for j in range(n):
            cut = at + (10 + 65 * j) * SECOND
            facts.append(
                Cut(
                    saw,
                    cut,
                    cut + 21 * SECOND,
                    Direction.VERTICAL if j % 3 else Direction.HORIZONTAL,
                    6100,
                    7400,
                    3200,
                    False,
                    None,
                )
            )
    facts.append(DoorVisit(saw, begin + 505 * SECOND, begin + 700 * SECOND, False, False))
    facts.append(Gap(saw, begin + 9000 * SECOND, begin + 9060 * SECOND))
    return facts


def fill(url: str, days: int) -> None:
    """Writes the days up to and with today."""
    midnight = NOON // DAY * DAY
    with Book(url) as book:
        book.open_saws(SawEntry(s, s.title()) for s in SAWS)
        for d in range(days - 1, -1, -1):
            at = midnight - d * DAY
            now = {
                s: NowEntry(s, at + NOON % DAY, State.STANDBY, at + NOON % DAY, 0, True, None, True, 0) for s in SAWS
            }
            book.commit([SawCommit(s, at, None, day_of(s, at), now=now[s], rests_from_us=at, rests=[at]) for s in SAWS])


class Clock:
    """Always the same afternoon."""

    def time(self) -> float:
        return NOON / 1e6


def spent(work, times: int, before=lambda: None) -> np.ndarray:
    """Milliseconds of each call, shape (times, 2): passed, and of the processor, which other work does not lengthen."""
    out = []
    for _ in range(times):
        before()
        begun = time.perf_counter(), time.process_time()
        work()
        out.append((time.perf_counter() - begun[0], time.process_time() - begun[1]))
    return np.array(out) * 1000


def told(ms: np.ndarray) -> str:
    """What `spent` found, for people."""
    (p50, p95), cpu = np.percentile(ms[:, 0], [50, 95]), np.median(ms[:, 1])
    return f"median {p50:7.2f} ms   p95 {p95:7.2f} ms   processor {cpu:7.2f} ms"


def measure(url: str, trace: SqliteTrace, times: int = 60) -> dict[str, np.ndarray]:
    app = create_api(url, trace, SITE, clock=Clock(), visitors=Visitors.LOCAL)
    client = app.test_client()
    book = Book(url)

    def wall() -> None:
        assert len(client.get("/api/v1/wall").json["saws"]) == len(SAWS)

    desk, live = app.extensions[EXTENSION]
    rows = {"first": spent(wall, 1), "warm": spent(wall, times), "cold": spent(wall, times, lambda: touch(book))}
    rows["live"] = spent(lambda: live._board.entries(SAWS, NOON), times, lambda: touch(book))
    rows["revision"] = spent(desk.book.revision, 200)
    today = client.get("/api/v1/wall").json["saws"][0]["cuts"]["total"]
    assert today == CUTS_A_DAY, today
    book.close()
    close_api(app)
    return rows


def main(folder: str | None = None) -> None:
    with tempfile.TemporaryDirectory() as temporary:
        place = Path(folder or temporary)
        place.mkdir(exist_ok=True)
        trace = SqliteTrace(place / "trace.db")
        medians = {}
        for name, days in [("week", 7), ("year", 365)]:
            path = place / f"{name}.db"
            url = f"sqlite:///{path}"
            if not path.exists():
                fill(url, days)
            print(f"{name}: {days * len(SAWS) * CUTS_A_DAY:,} cuts, {path.stat().st_size / 1e6:.0f} MB")
            for what, ms in measure(url, trace).items():
                medians[name, what] = np.median(ms[:, 1])
                print(f"  {what:9s} {told(ms)}")
        ratio = medians["year", "cold"] / medians["week", "cold"]
        memory = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1e3
        print(f"year / week, processor, cold: {ratio:.2f}    resident memory {memory:.0f} MB at most")
        trace.close()


if __name__ == "__main__":
    main(*sys.argv[1:2])
