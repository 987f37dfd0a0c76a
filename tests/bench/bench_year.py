"""A year of the wall screen without a reload: nodes, listeners and heap of the page, month by month.

    PYTHONPATH=. python -m pytest tests/bench/bench_year.py -m bench -s

Server and page leap half a day at a time; each leap is a broken line, a new stream and new data. The browser compiles
nothing: what V8 compiles of a script that grows warm, some 0.2 MB in 60 days of leaps, is heap and no leak.
"""

from __future__ import annotations

import os

import pytest

from tests.dashboard.conftest import open_shop as open_shop  # noqa: PLC0414 - a fixture
from tests.dashboard.conftest import still_chrome as still_chrome  # noqa: PLC0414 - a fixture
from tests.dashboard.year import Year, held

pytestmark = [pytest.mark.bench, pytest.mark.real]

DAYS = 30 if os.environ.get("KERFBOOK_BENCH") == "short" else 365


def test_a_year_without_a_reload(still_chrome, open_shop, capsys):
    year = Year(still_chrome, open_shop(6))
    _say(capsys, f"\n{'day':>5} {'nodes':>8} {'listeners':>10} {'documents':>10} {'heap kB':>9} {'intervals':>10}")
    heaps = []
    for day in range(1, DAYS + 1):
        year.pass_a_day()
        if day % 30 == 0 or day == DAYS:
            h = held(still_chrome)
            heaps.append(h.heap_kb)
            _say(capsys, f"{day:5} {h.nodes:8,} {h.listeners:10} {h.documents:10} {h.heap_kb:9,} {h.intervals:10}")
    if len(heaps) > 1:
        first, second = heaps[: len(heaps) // 2], heaps[len(heaps) // 2 :]
        _say(capsys, f"heap of the second half against the first: {_mean(second) / _mean(first):.3f}")
    assert not year.reloaded


def _mean(values: list[int]) -> float:
    return sum(values) / len(values)


def _say(capsys, line: str) -> None:
    with capsys.disabled():
        print(line, flush=True)
