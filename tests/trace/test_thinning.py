"""What thinning means for a file, for facts and for late readings: tested on SQLite, beside a collector."""

from __future__ import annotations

import itertools
import sqlite3
import threading
import time

import numpy as np
import pytest

from collector.book.copying import sums
from collector.facts import SECOND
from collector.signals import Series, Trace
from collector.trace.copying import copy_trace
from collector.trace.slices import DAY_US, Minutes, minutes_of
from collector.trace.sqlite import SqliteTrace
from collector.trace.store import TraceError
from collector.trace.thinning import Ages, Thinner
from tests.ingest.conftest import T0, motor, shop
from tests.trace.stores import EVER
from tests.trace.stores import motor as noise

__all__ = ["shop"]

TODAY = T0 // DAY_US * DAY_US
WORK = [(20, 0), (60, 3.2), (9, 7), (30, 3.2), (9, 7), (30, 3.2), (60, 0)]


def thinner(store, readings, minutes=0, **more):
    return Thinner(store, Ages(readings, minutes), clock=lambda: TODAY + 100 * DAY_US, **more)


def test_disk_space_comes_back_in_small_steps(tmp_path):
    path = tmp_path / "trace.db"
    store = SqliteTrace(path)
    for n in range(10):
        store.write("heron", noise(TODAY + n * DAY_US, 200_000, seed=n))
        store.commit()
    store.close()
    full = path.stat().st_size
    with SqliteTrace(path) as store:
        steps = thinner(store, 98).round()
        assert store.complete_from("heron") == TODAY + 2 * DAY_US
    smaller = path.stat().st_size
    assert smaller < 0.83 * full
    with SqliteTrace(path) as store:
        steps = thinner(store, 90).round()
        assert steps > 50
        assert store.read("heron", *EVER).same(Trace.empty())
    assert path.stat().st_size < 0.05 * full
    with SqliteTrace(path) as store:
        assert len(store.minutes("heron", *EVER)["motor"]) > 3000
        assert thinner(store, 90, 95).round()
        assert store.minutes("heron", *EVER)["motor"].t[0] == TODAY + 5 * DAY_US


def test_a_file_of_an_older_program_gets_minutes_when_it_is_opened_for_writing(tmp_path):
    path = tmp_path / "trace.db"
    with SqliteTrace(path) as store:
        store.write("heron", noise(TODAY, 1000))
        store.commit()
    with sqlite3.connect(path) as db:
        db.executescript("DROP TABLE minute; DROP TABLE aged; PRAGMA user_version = 1")
    db.close()
    with SqliteTrace(path, readonly=True) as store:
        assert (store.complete_from("heron"), store.minutes("heron", *EVER)) == (0, {})
    with SqliteTrace(path) as store:
        assert thinner(store, 90).round()
        assert store.complete_from("heron") == TODAY + DAY_US


def test_a_copy_takes_minutes_along_and_refuses_a_store_with_others(tmp_path):
    with (
        SqliteTrace(tmp_path / "a.db") as old,
        SqliteTrace(tmp_path / "b.db") as new,
        SqliteTrace(tmp_path / "c.db") as odd,
    ):
        for n in range(3):
            old.write("heron", noise(TODAY + n * DAY_US, 90_000, seed=n))
        old.commit()
        odd.write("heron", noise(TODAY, 5))
        odd.commit()
        thinner(old, 98).round()
        for _ in range(2):
            assert copy_trace(old, new).minutes > 200
            assert new.complete_from("heron") == old.complete_from("heron")
            assert new.read("heron", *EVER).same(old.read("heron", *EVER))
            a, b = old.minutes("heron", *EVER), new.minutes("heron", *EVER)
            assert all(a[signal].same(b[signal]) for signal in a)
        with pytest.raises(TraceError, match="holds readings where the other has minutes"):
            copy_trace(old, odd)


def test_facts_outlive_their_readings_and_late_packs_for_aged_days_change_nothing(shop):
    for day in range(4):
        shop.take(motor(WORK, start=T0 + day * DAY_US))
        shop.ingest.settle()
    facts = shop.facts()
    thinner(shop.trace, 98, hold=shop.ingest.between_commits).round()
    assert shop.trace.first("heron") == T0 + 2 * DAY_US
    for back in (1, 0):
        shop.take(motor([(30, 9)], start=T0 + back * DAY_US + 300 * SECOND), token=back)
        assert shop.ingest.settle() == [back]
    assert shop.ingest.counts.aged == 600
    assert shop.facts() == facts
    assert shop.book.dirty("heron") == []
    assert shop.die()
    shop.ingest.catch_up()
    assert shop.facts() == facts
    shop.take(motor([(5, 0), (30, 3.2), (9, 7), (30, 3.2), (40, 0)], start=T0 + 3 * DAY_US + 400 * SECOND))
    shop.ingest.settle()
    assert len(shop.facts()) > len(facts)


def test_late_packs_whose_last_rest_lies_in_an_aged_day_leave_the_facts_there(shop):
    """A run over midnight has no rest point: what precedes it would have to be derived from readings that are gone."""
    start = TODAY + DAY_US - 300 * SECOND
    shop.take(motor([(20, 0), (900, 3.2), (60, 0)], start=start))
    shop.take(motor(WORK, start=TODAY + 2 * DAY_US))
    shop.ingest.settle()
    facts = shop.facts()
    thinner(shop.trace, 99, hold=shop.ingest.between_commits).round()
    assert shop.trace.complete_from("heron") == TODAY + DAY_US
    odd = motor([(3, 9)], start=TODAY + DAY_US + 50_123)
    shop.take(odd, token="late")
    assert shop.ingest.settle() == ["late"]
    assert shop.facts() == facts
    assert shop.book.dirty("heron") == []


def test_thinning_beside_a_collector_loses_no_new_reading(shop):
    for n in range(6):
        shop.trace.write("heron", noise(TODAY - (9 - n) * DAY_US, 100_000, seed=n))
    shop.trace.commit()
    whole = motor([(20, 0), *[(9, 3.2), (5, 7)] * 30, (60, 0)])
    done = threading.Event()

    def collect() -> None:
        for at in range(whole.first, whole.last + 1, 5 * SECOND):
            shop.take(whole.between(at, at + 5 * SECOND), saw="plover")
            shop.ingest.settle()
        done.set()

    collecting = threading.Thread(target=collect)
    thinning = Thinner(shop.trace, Ages(2, 730), shop.ingest.between_commits, clock=lambda: TODAY)
    collecting.start()
    thinning.start()
    collecting.join()
    deadline = time.monotonic() + 60
    while shop.trace.complete_from("heron") < TODAY - 3 * DAY_US and time.monotonic() < deadline:
        time.sleep(0.05)
    thinning.stop()
    assert shop.trace.complete_from("heron") == TODAY - 3 * DAY_US
    assert shop.trace.read("plover", *EVER).same(whole)
    assert sums(shop.book)["run"].rows == 1


@pytest.mark.parametrize("values", [[1, 1, 0, 0, 1], [0, 1, 0, 1, 0], [1, 1, 1, 1, 1]])
def test_a_switch_keeps_its_changes_to_the_minute(values):
    t = TODAY + np.arange(5, dtype=np.int64) * 60 * SECOND + 7 * SECOND
    found = Minutes.of(Series.of(t, values), "door").changes()
    assert found.v.tolist() == values
    assert np.array_equal(found.t // (60 * SECOND), t // (60 * SECOND))


def test_a_short_opening_of_a_door_is_still_seen_in_its_minute():
    t = TODAY + np.arange(30, dtype=np.int64) * 10 * SECOND
    values = [1] * 14 + [0] * 2 + [1] * 14
    found = minutes_of(Trace(Series.empty(), Series.empty(), Series.empty(), Series.of(t, values)))["door"].changes()
    assert [v for v, _ in itertools.groupby(found.v.tolist())] == [1, 0, 1]
