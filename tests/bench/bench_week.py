"""What a week takes of `kerfbook run` with 1, 10 and 50 saws: memory and processor time, day by day.

    PYTHONPATH=. python -m pytest tests/bench/bench_week.py -m bench -s

The process lives through the week: its clock is put forward with the readings, ten
minutes at a time, so that windows slide, days end and reports are kept as in life. A screen listens all the time.
"""

from __future__ import annotations

import datetime as dt
import os
import threading

import psutil
import pytest

from collector.book import Book
from collector.facts import SECOND
from collector.signals import Series, Trace
from collector.wire.pack import write_pack
from simulator.shop import simulate_day
from simulator.world import SAWS as WORLD
from tests.bench.bench_memory import peak, watch
from tests.dashboard.running import SITE, Running, box_of
from tests.faults.clock import Clock
from tests.ingest.publisher import Publisher, until

pytestmark = [pytest.mark.bench, pytest.mark.real]

SHORT = os.environ.get("KERFBOOK_BENCH") == "short"
SIZES = [1] if SHORT else [int(n) for n in os.environ.get("KERFBOOK_BENCH_SAWS", "1,10,50").split(",")]
DAYS = 2 if SHORT else int(os.environ.get("KERFBOOK_BENCH_DAYS", "7"))
MONDAY = dt.date(2026, 3, 2)
STEP_S, PACK_S = 600, 60
LIVES = 5  # so many different days are simulated; the saws of a large shop share them, each some seconds apart


def lives() -> list[list[Trace]]:
    """Traces of several saws' weeks, one a day."""
    kinds = list(WORLD.values())
    days = [MONDAY + dt.timedelta(days=d) for d in range(DAYS)]
    return [[simulate_day(kinds[n % 2], day, 100 * n + d).trace for d, day in enumerate(days)] for n in range(LIVES)]


def live(broker, folder, saws: int, weeks: list[list[Trace]], say) -> None:
    names = [f"saw-{n}" for n in range(saws)]
    midnight = int(dt.datetime(MONDAY.year, MONDAY.month, MONDAY.day, tzinfo=dt.UTC).timestamp())
    clock = Clock(folder)
    clock.put(midnight)
    with Running(folder, broker, names, env=clock.env) as house, Publisher(broker) as box:
        process = psutil.Process(house.pid)
        book = Book(f"sqlite:///{folder}/kerfbook-data/book.sqlite")
        screen = threading.Thread(target=watch, args=(house.address,), daemon=True)
        screen.start()
        say(f"\nkerfbook run, {saws} saws, {DAYS} days; one screen; packs of {PACK_S} s")
        say(f"  {'day':<6} {'resident':>9} {'own pages':>10} {'CPU of the day':>15} {'packs':>8}")
        used = sum(process.cpu_times()[:2])
        for d in range(DAYS):
            packs = 0
            for step in range(86_400 // STEP_S):
                start = midnight + d * 86_400 + step * STEP_S
                clock.put(start + STEP_S)
                batch = []
                for n, name in enumerate(names):
                    by = (n // LIVES) * 3 * SECOND
                    shifted = weeks[n % LIVES][d].between(start * SECOND - by, (start + STEP_S) * SECOND - by)
                    trace = Trace(*(Series(s.t + by, s.v) for s in shifted.series()))
                    for at in range(start * SECOND, (start + STEP_S) * SECOND, PACK_S * SECOND):
                        part = trace.between(at, at + PACK_S * SECOND)
                        if len(part):
                            batch.append(
                                (f"kerfbook/{SITE}/{name}/readings", write_pack(box_of(name), part, form="cbor"))
                            )
                packs += len(batch)
                if packs == len(batch):  # a broker keeps nothing for a collector that it has not met yet
                    house.hear(box, batch)
                box.publish(batch)
                if batch:
                    settled(book, start, saws)
            full = process.memory_full_info()
            now = sum(process.cpu_times()[:2])
            say(f"  {d + 1:<6} {full.rss / 1e6:6.1f} MB {full.uss / 1e6:7.1f} MB {now - used:13.1f} s {packs:8}")
            used = now
        say(f"  at most {peak(house.pid) / 1e6:.1f} MB; {process.num_threads()} threads, {process.num_fds()} files")
        book.close()


def settled(book: Book, start: int, saws: int) -> None:
    """Until every saw's newest reading lies in the last half of this step; asks the book, for the screens cost time."""
    least = (start + STEP_S // 2) * SECOND
    until(lambda: sum(entry.at >= least for entry in book.nows().values()) == saws, 120)


@pytest.mark.filterwarnings("ignore::pytest.PytestUnraisableExceptionWarning")  # the screen is cut off at the end
@pytest.mark.parametrize("saws", SIZES)
def test_a_week(mosquitto, tmp_path, saws, capsys):
    def say(line: str) -> None:
        with capsys.disabled():
            print(line, flush=True)

    live(mosquitto, tmp_path, saws, lives(), say)
