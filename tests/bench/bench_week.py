"""What a week takes of `kerfbook run` with 1, 10 and 50 saws: memory and processor time day by day, and whether it grows.

    python -m tests.bench.bench_week [SAWS…] [--days N] [--pack SECONDS] [--hours FROM TO]

It fails where the memory at the end of the days from the third on rises by more than the bar. Two screens listen all
the time, and every ten minutes of the shop's time somebody looks at pages (`tests.bench.week`). With
``KERFBOOK_BENCH=short``, two days of one saw, in which nothing can be judged.
"""

from __future__ import annotations

import argparse
import os
import sys
import tempfile
from pathlib import Path

import numpy as np
import pytest

from tests.bench.week import live
from tests.conftest import Mosquitto

pytestmark = [pytest.mark.bench, pytest.mark.real]

SETTLED_DAYS = 2  # until every page was looked at, every statement compiled, every cache filled once
GROWTH = 1e6
GROWTH_OF_SAW = 0.02e6
"""Bytes a day that memory may still rise by, and as many more for each saw: answers of more days, up to their bounds."""


def slope(resident: list[int]) -> float:
    """Bytes a day by which memory rises after the days in which it settles: least squares."""
    later = resident[SETTLED_DAYS:]
    return float(np.polyfit(np.arange(len(later)), later, 1)[0])


def week(folder: Path, saws: int, days: int, pack_s: int, hours: tuple[int, int] = (0, 24)) -> bool:
    """Live through it and tell; whether the bar holds."""
    broker = Mosquitto(folder)
    broker.start()
    print(f"\nkerfbook run, {saws} saws, {days} days of {hours[0]}:00 to {hours[1]}:00", end="; ")
    print(f"two screens, pages every 10 minutes; packs of {pack_s} s")
    print(
        f"  {'day':<4} {'resident':>9} {'own pages':>10} {'CPU':>9} {'per saw-day':>12} {'of a core':>10} {'packs':>8}"
    )
    lived_s = (hours[1] - hours[0]) * 3600
    resident = []
    try:
        for d, day in enumerate(live(broker, folder, saws, days, pack_s=pack_s, hours=hours)):
            resident.append(day.resident)
            print(
                f"  {d + 1:<4} {day.resident / 1e6:6.1f} MB {day.own / 1e6:7.1f} MB {day.cpu_s:7.1f} s "
                f"{day.cpu_s / saws:10.2f} s {day.cpu_s / lived_s:10.2%} {day.packs:8}",
                flush=True,
            )
    finally:
        broker.stop()
    if days < SETTLED_DAYS + 3:
        print(f"  growth: not judged in {days} days")
        return True
    rises, bar = slope(resident), GROWTH + GROWTH_OF_SAW * saws
    holds = rises <= bar
    print(
        f"  growth, days {SETTLED_DAYS + 1} to {days}: {rises / 1e6:+.2f} MB a day, bar {bar / 1e6:.2f} "
        f"{'met' if holds else 'ABOVE'}"
    )
    return holds


def main(arguments: list[str]) -> int:
    """All of them; 1 where one grows."""
    parser = argparse.ArgumentParser("python -m tests.bench.bench_week")
    parser.add_argument("saws", nargs="*", type=int, default=[1, 10, 50])
    parser.add_argument("--days", type=int, default=7)
    parser.add_argument("--pack", type=int, default=60, help="seconds of readings in a pack; boxes send about 1")
    parser.add_argument("--hours", nargs=2, type=int, default=[0, 24], help="of each day; the rest is silence")
    given = parser.parse_args(arguments)
    hold = True
    for saws in given.saws:
        with tempfile.TemporaryDirectory() as folder:
            hold &= week(Path(folder), saws, given.days, given.pack, tuple(given.hours))
    return 0 if hold else 1


def test_a_week(tmp_path, capsys):
    with capsys.disabled():
        short = os.environ.get("KERFBOOK_BENCH") == "short"
        for saws in (1,) if short else (1, 10, 50):
            (tmp_path / str(saws)).mkdir()
            assert week(tmp_path / str(saws), saws, 2 if short else 7, 60)


if __name__ == "__main__":
    sys.exit(main(sys.argv[1:]))
