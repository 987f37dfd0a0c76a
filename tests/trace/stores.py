"""What every trace store must do: the laws of `collector.trace.store`, for any engine.

A test module of an engine subclasses `Laws` and gives `open`, which opens the store at a place of its own.
"""

import random

import numpy as np
import pytest

from collector.signals import SIGNALS, Series, Trace, merge
from collector.trace.slices import DAY_US, MINUTE_US, Minutes, Slices, minutes_of
from collector.trace.thinning import Ages, Thinner

NOW = 1_772_434_800_000_000
DAY = NOW // DAY_US * DAY_US
EVER = (-(1 << 60), 1 << 60)
NONE = Trace.empty()


def motor(start, count, seed=0, step=100_000, value=None):
    """A motor's readings, ``count`` of them from ``start``, with door and lock reported at the first."""
    rng = np.random.default_rng([seed, start])
    t = start + np.arange(count, dtype=np.int64) * step
    v = rng.integers(3000, 9000, count).astype(np.int32) if value is None else np.full(count, value, np.int32)
    first = Series(t[:1], np.ones(1, np.int32))
    return Trace(Series(t, v), first, Series.empty(), first)


def cut(trace, parts, seed):
    """The trace in pieces at random places, none empty."""
    rng = random.Random(seed)
    t = trace.motor.t
    edges = sorted({int(t[0]), *rng.choices(t.tolist(), k=parts - 1)})
    return [trace.between(a, b) for a, b in zip(edges, [*edges[1:], int(t[-1]) + 1], strict=True)]


class Laws:
    """The laws; ``self.open()`` opens the store again at the same place."""

    def open(self):
        raise NotImplementedError

    @pytest.fixture
    def store(self):
        store = self.open()
        yield store
        store.close()

    def again(self, store):
        store.close()
        return self.open()

    def test_an_empty_store_knows_nothing(self, store):
        assert store.read("heron", *EVER).same(NONE)
        assert (store.first("heron"), store.last("heron"), store.saws()) == (None, None, [])

    def test_what_was_committed_is_there_after_opening_again(self, store):
        written = motor(NOW, 100)
        store.write("heron", written)
        store.commit()
        again = self.again(store)
        assert again.read("heron", *EVER).same(written)
        assert (again.last("heron"), again.saws()) == (written.last, ["heron"])
        again.close()

    def test_what_was_not_committed_is_seen_here_and_gone_after_opening_again(self, store):
        store.write("heron", motor(NOW, 100))
        assert (len(store.read("heron", *EVER)), store.saws()) == (102, ["heron"])
        assert store.last("heron") == NOW + 99 * 100_000
        again = self.again(store)
        assert again.read("heron", *EVER).same(NONE)
        again.close()

    def test_a_period_takes_its_start_and_leaves_out_its_end(self, store):
        written = motor(NOW, 30_000)
        store.write("heron", written)
        store.commit()
        for a, b in ((0, 1), (0, 30_000), (8191, 8193), (12_345, 12_345), (29_999, 40_000), (-5, 3)):
            start, end = NOW + a * 100_000, NOW + b * 100_000
            assert store.read("heron", start, end).same(written.between(start, end)), (a, b)

    def test_saws_do_not_mix(self, store):
        heron, plover = motor(NOW, 50, seed=1), motor(NOW, 50, seed=2)
        store.write("plover", plover)
        store.write("heron", heron)
        store.commit()
        assert store.saws() == ["heron", "plover"]
        assert store.read("heron", *EVER).same(heron)
        assert store.read("plover", *EVER).same(plover)

    @pytest.mark.parametrize("count", [10, 5000, 40_000])
    def test_of_two_values_of_one_moment_the_first_written_stays(self, store, count):
        first = motor(NOW, count, value=3300)
        store.write("heron", first)
        store.commit()
        store.write("heron", motor(NOW, count, value=9999))
        store.commit()
        store.write("heron", motor(NOW - 50_000, 2 * count, value=7777, step=50_000))
        store.commit()
        found = store.read("heron", *EVER)
        assert found.motor.same(merge([first, motor(NOW - 50_000, 2 * count, value=7777, step=50_000)]).motor)

    def test_a_commit_of_nothing_is_none(self, store):
        store.commit()
        store.write("heron", NONE)
        store.commit()
        assert store.saws() == []

    @pytest.mark.parametrize("seed", range(6))
    def test_in_any_order_in_any_chunks_and_any_times_over_it_is_the_set_union(self, store, seed):
        rng = random.Random(seed)
        whole = motor(NOW, rng.choice([50, 3000, 60_000]), seed=seed)
        pieces = cut(whole, rng.choice([3, 40, 600]), seed)
        pieces += rng.choices(pieces, k=len(pieces) // 3)
        match seed % 3:
            case 0:
                rng.shuffle(pieces)
            case 1:
                pieces.reverse()
            case 2:  # nearly in order, as a box that buffered
                pieces[len(pieces) // 3 :] = pieces[len(pieces) // 2 :] + pieces[len(pieces) // 3 : len(pieces) // 2]
        for i, piece in enumerate(pieces):
            store.write("heron", piece)
            if rng.random() < 0.5:
                store.commit()
            if i == len(pieces) // 2:
                assert store.read("heron", *EVER).same(merge(pieces[: i + 1]))
        store.commit()
        assert store.read("heron", *EVER).same(whole)
        assert store.last("heron") == whole.last
        again = self.again(store)
        a, b = NOW + len(whole) * 20_000, NOW + len(whole) * 70_000
        assert again.read("heron", a, b).same(whole.between(a, b))
        for at in (0, whole.first, whole.first + 1, a, a + 1, b, whole.last, *rng.choices(range(a, b), k=9)):
            assert again.first("heron", at) == whole.between(at, whole.last + 1).first
        assert again.first("heron", whole.last + 1) is None
        again.close()

    def test_signals_can_be_read_alone(self, store):
        written = motor(NOW, 5000)
        store.write("heron", written)
        store.commit()
        for signals in (("motor",), ("lock", "door"), ("station",), ()):
            found = store.read("heron", *EVER, signals)
            for signal, series, whole in zip(SIGNALS, found.series(), written.series(), strict=True):
                assert series.same(whole if signal in signals else Series.empty())

    @pytest.mark.parametrize(("length", "width"), [(40_000, 7_200_000), (40_000, 61_000_001), (3000, 1_000_000)])
    def test_slices_hold_lowest_highest_sum_and_count_of_the_readings(self, store, length, width):
        written = motor(NOW + 123_457, length, seed=3)
        store.write("heron", written)
        store.commit()
        start, end = NOW + 60_000_000, NOW + length * 100_000 - 30_000_000
        found = store.slices("heron", start, end, width)
        wanted = Slices.of(written.motor.between(start, end), start, width)
        for name in ("low", "high", "total", "count"):
            assert np.array_equal(getattr(found, name), getattr(wanted, name)), name
        assert np.array_equal((found.first - start) // width, (wanted.first - start) // width)
        assert (found.first <= wanted.first).all()
        assert (wanted.last <= found.last).all()
        assert len(store.slices("plover", start, end, width)) == 0

    def test_days_that_age_become_minutes_and_younger_ones_stay(self, store):
        days = [motor(DAY + n * DAY_US + 3600 * 10**6 * n, 9000, seed=n, step=1_000_000) for n in (0, 1, 3)]
        over_midnight = motor(DAY + 2 * DAY_US - 50_000_000, 1000, seed=9)
        whole = merge([*days, over_midnight])
        store.write("heron", whole)
        store.write("plover", days[0])
        store.commit()
        before = DAY + 2 * DAY_US + 3600 * 10**6
        assert store.complete_from("heron") == 0
        assert store.minutes("heron", *EVER) == {}
        thinner = Thinner(store, Ages(2, 0), clock=lambda: before + 2 * DAY_US)
        assert thinner.round() >= 3
        assert thinner.round() == 0
        again = self.again(store)
        for saw, held in (("heron", whole), ("plover", days[0])):
            until = again.complete_from(saw)
            assert until == (DAY + 2 * DAY_US if saw == "heron" else DAY + DAY_US)
            assert again.read(saw, until, EVER[1]).same(held.between(until, EVER[1]))
            kept = again.minutes(saw, *EVER)
            for signal, series in zip(SIGNALS, held.between(0, until).series(), strict=True):
                if not len(series):
                    assert signal not in kept
                    continue
                m, at = kept[signal], series.t // MINUTE_US * MINUTE_US
                assert m.t.tolist() == sorted(set(at.tolist()))
                for i in (0, len(m) // 2, len(m) - 1):
                    v = series.v[at == m.t[i]]
                    level = round(float(v.mean())) if signal == "motor" else v[-1]
                    assert (m.low[i], m.high[i], m.count[i]) == (v.min(), v.max(), len(v))
                    assert abs(m.level[i] - level) <= (signal == "motor")
                middle = (int(m.t[len(m) // 2]), int(m.t[-1]))
                assert again.minutes(saw, *middle).get(signal, Minutes.empty()).same(m.between(*middle))
        again.close()

    def test_minutes_written_again_are_there_once(self, store):
        held = minutes_of(motor(DAY + 3_600_000_000, 20_000))
        for _ in range(2):
            store.write_minutes("heron", held, DAY + DAY_US)
            found = store.minutes("heron", *EVER)
            assert found.keys() == held.keys()
            assert all(found[signal].same(held[signal]) for signal in held)
        assert (store.complete_from("heron"), store.saws()) == (DAY + DAY_US, store.saws())

    def test_a_gap_that_is_filled_in_small_pieces_later_is_whole(self, store):
        whole = motor(NOW, 40_000)
        t = whole.motor.t
        hole = (int(t[10_000]), int(t[14_000]))
        store.write("heron", whole.between(NOW, hole[0]))
        store.write("heron", whole.between(hole[1], whole.last + 1))
        store.commit()
        for i in range(10_000, 14_000, 20):
            store.write("heron", whole.between(int(t[i]), int(t[i + 20])))
            store.commit()
        assert store.read("heron", *EVER).same(whole)
