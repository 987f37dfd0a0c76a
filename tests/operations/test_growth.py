"""`kerfbook run` holds no more after a third day than after the second, but for the little that its bounded caches take.

`python -m tests.bench.bench_week` is the long form: whole weeks, and what the system gives the process for them.
"""

from __future__ import annotations

import sys

import pytest

from tests.bench import inside
from tests.bench.week import live

OBJECTS, ALL = 400_000, 1_200_000
"""Bytes. One more day took 0.1 MB of Python's objects and 0.6 MB in all: pages of the stores, answers of that day. With a
trace store that kept its readings it was 2.1 MB."""


@pytest.mark.real
def test_a_further_day_leaves_nothing_behind(mosquitto, tmp_path):
    asked = tmp_path / "inside"
    command = [sys.executable, "-m", "tests.bench.inside"]
    env = {"KERFBOOK_INSIDE": str(asked)}
    objects, held = [], []
    for _ in live(mosquitto, tmp_path, 1, 3, hours=(8, 13), pack_s=600, screens=1, command=command, env=env):
        told = inside.ask(asked)
        objects.append(told["arenas"][1])
        held.append(told["arenas"][1] + told["heap"]["used"] + told["heap"]["mapped"])
    assert objects[2] - objects[1] < OBJECTS, objects
    assert held[2] - held[1] < ALL, held
