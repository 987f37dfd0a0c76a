"""A wall that nobody reloads grows nothing; `tests/bench/bench_year.py` lets a whole year pass."""

from __future__ import annotations

import pytest

from tests.dashboard.year import Year, held

pytestmark = pytest.mark.real


def test_a_wall_that_stands_for_days_holds_no_more_than_on_the_second(chrome, open_shop):
    year = Year(chrome, open_shop(3))
    for _ in range(3):
        year.pass_a_day()
    early = held(chrome)
    for _ in range(8):
        year.pass_a_day()
    late = held(chrome)
    assert not year.reloaded
    assert late.listeners <= early.listeners
    assert late.documents == early.documents
    assert late.intervals == early.intervals
    # Days differ in their cuts and stretches: a leak of one node a minute or a second would be hundreds of times this.
    assert late.nodes <= early.nodes + 200, (early, late)
    assert late.heap_kb <= early.heap_kb + 3000, (early, late)
