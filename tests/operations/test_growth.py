"""`kerfbook run` holds no more after two further days, but for the little that its bounded caches take.

`python -m tests.bench.bench_week` is the long form: whole weeks, and what the system gives the process for them.
"""

from __future__ import annotations

import sys
import time
from typing import TYPE_CHECKING

import pytest

from tests.bench import inside
from tests.bench.week import live

if TYPE_CHECKING:
    from pathlib import Path

WARM = 3
"""Days until everything was done once: what is imported, compiled or learned when it is first wanted is there by then."""
DAYS = 5
OBJECTS, ALL = 500_000, 2_400_000
"""Bytes. Two more days took 0.11 to 0.19 MB of Python's objects and 0.7 to 1.4 MB in all: pages of the stores, answers of
these days, twelve times, four at once. With a trace store that kept its readings it was 3.7 MB."""


@pytest.mark.real
def test_further_days_leave_nothing_behind(mosquitto, tmp_path):
    asked = tmp_path / "inside"
    command = [sys.executable, "-m", "tests.bench.inside"]
    env = {"KERFBOOK_INSIDE": str(asked)}
    told = []
    days = live(mosquitto, tmp_path, 1, DAYS, hours=(8, 13), pack_s=600, screens=1, command=command, env=env)
    for number, _ in enumerate(days, 1):
        if number in (WARM, DAYS):
            told.append(at_rest(asked))
    (objects, held), (objects_then, held_then) = told
    assert objects_then - objects < OBJECTS, told
    assert held_then - held < ALL, told


def at_rest(asked: Path) -> tuple[int, int]:
    """Bytes of Python's objects, and of all, while nothing is at work: the least of some moments."""
    moments = []
    for _ in range(10):
        told = inside.ask(asked)
        moments.append((told["arenas"][1], told["arenas"][1] + told["heap"]["used"] + told["heap"]["mapped"]))
        time.sleep(0.2)
    return min(objects for objects, _ in moments), min(held for _, held in moments)
