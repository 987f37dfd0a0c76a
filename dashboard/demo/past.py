"""The demo's past: a worker process plays days while this one absorbs them, as if boxes had sent them."""

from __future__ import annotations

import datetime as dt
import multiprocessing
import signal
from collections import deque
from concurrent.futures import Future, ProcessPoolExecutor
from typing import TYPE_CHECKING

from api.answers.calendar import instant
from dashboard.demo.days import trace_of
from simulator import world

if TYPE_CHECKING:
    from collections.abc import Callable, Iterable, Iterator

    from collector.ingest import Ingest
    from collector.signals import Trace

WEEKS = 8
_AHEAD = 4
"""Days that the worker may be ahead; each takes some megabytes."""

Job = tuple[str, dt.date, dict[dt.date, int]]


def _jobs(last: dict[str, int | None], today: dt.date, starts: dict[dt.date, int]) -> list[Job]:
    """The missing days, both saws by turns: eight weeks at first, later those since the last reading."""
    first = today - dt.timedelta(weeks=WEEKS)
    jobs: list[Job] = []
    for number in range((today - first).days + 1):
        day = first + dt.timedelta(days=number)
        end = instant(day + dt.timedelta(days=1), 0, world.ZONE)
        for saw, newest in last.items():
            if newest is None or newest < end:
                jobs.append((saw, day, {d: s for d, s in starts.items() if d == day}))
    return jobs


def fill(
    ingest: Ingest,
    last: dict[str, int | None],
    *,
    now_us: int,
    today: dt.date,
    starts: dict[dt.date, int],
    progress: Callable[[float], None],
) -> None:
    """Absorb all that happened after each saw's last reading and before ``now_us``.

    What the demo missed while it was off comes in too: its boxes are taken to have kept their readings.

    Args:
        ingest: takes the readings, by the code that takes those of real boxes.
        last: saws and their newest reading in the store, None: none.
        now_us: the present.
        today: the day it lies in.
        starts: days with a moved shift.
        progress: told the share done, 0 to 1.
    """
    jobs = _jobs(last, today, starts)
    for number, ((saw, _, _), trace) in enumerate(zip(jobs, _in_worker(jobs), strict=True), 1):
        newest = last[saw]
        fresh = trace.between(0 if newest is None else newest + 1, now_us)
        if len(fresh):
            ingest.absorb(saw, fresh)
        progress(number / len(jobs))


def _in_worker(jobs: Iterable[Job]) -> Iterator[Trace]:
    """The traces of the jobs, in order, made by another process while the caller works on those before."""
    # Spawned, not forked: the broker and the web server have threads by then.
    context = multiprocessing.get_context("spawn")
    with ProcessPoolExecutor(
        1, context, initializer=signal.signal, initargs=(signal.SIGINT, signal.SIG_IGN)
    ) as pool:
        waiting: deque[Future[Trace]] = deque()
        try:
            for job in jobs:
                waiting.append(pool.submit(trace_of, *job))
                if len(waiting) > _AHEAD:
                    yield waiting.popleft().result()
            while waiting:
                yield waiting.popleft().result()
        finally:
            pool.shutdown(wait=False, cancel_futures=True)
