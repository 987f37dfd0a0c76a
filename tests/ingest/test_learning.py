"""A running collector learns what its saws do over and over, and works with it: now, for the past, after any crash."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st
from sqlalchemy import update
from sqlalchemy.exc import OperationalError

from collector.adopt import settings_of
from collector.book import Book, SawEntry
from collector.book.engine import writing
from collector.book.habits import HabitHistory
from collector.book.leases import Leases, holder
from collector.book.marks import Marks
from collector.book.settings import SawSettings, SettingsHistory
from collector.detect.detector import Detector, derive_knowing
from collector.detect.habits import NEW, Habits, learn
from collector.detect.settings import DetectSettings
from collector.facts import SECOND, Cut, Run
from collector.ingest import Ingest
from collector.ingest.learning import BACK_US, LOOK_RUNS, Learning, says_else, turned
from collector.marks import Mark, MarkKind
from collector.signals import Trace, merge
from collector.trace.sqlite import SqliteTrace
from collector.troubles import TORN
from collector.wire.meaning import AHEAD_US
from tests.detect.other_saw import tell
from tests.ingest.conftest import Shop, memory_folder
from tests.ingest.learned import Knowing, Stubborn, as_learned, derived, work

HOUR = 3600 * SECOND
SEEN = Habits(True, (2_000_000, 2_400_000), (3_000, 3_300))


@pytest.fixture
def shop(tmp_path):
    shop = Shop(tmp_path, Knowing, learns=True)
    yield shop
    shop.close()


def hear(shop: Shop, trace: Trace, seconds: int = 15) -> None:
    """Packs of so long; after each the collector has time to learn."""
    at = trace.first
    while at <= trace.last:
        pack = trace.between(at, at + seconds * SECOND)
        if len(pack):
            shop.take(pack)
            shop.ingest.settle()
            shop.ingest.learn()
        at += seconds * SECOND


def versions(shop: Shop):
    return HabitHistory(shop.book).versions("heron")


def shifted(trace: Trace, by_us: int) -> Trace:
    return Trace(*(replace(s, t=s.t + by_us) for s in trace.series()))


# When it learns, and what becomes of it


def test_a_brake_seen_at_a_few_stops_is_known_and_the_runs_it_was_learned_from_are_read_with_it(shop):
    trace = work("bbbb-b")
    hear(shop, trace)
    known = versions(shop)[0]
    runs = [f for f in shop.facts() if isinstance(f, Run)]
    assert known.habits.brake_seen
    assert known.valid_from < known.first == runs[0].start
    assert known.last in [run.end for run in runs]
    assert settings_of(shop.book, ["heron"], DetectSettings())["heron"].habits == known.habits
    assert shop.facts() == as_learned(shop.book, "heron", trace, make=Knowing)
    assert len({run.cuts for run in runs}) == 1, "all runs were read with the same"
    assert shop.book.dirty("heron") == []


def test_each_version_says_what_a_detector_that_knows_nothing_finds_in_the_runs_until_then(shop):
    trace = work("bb-b--b-bbbb-")
    hear(shop, trace)
    plain = derived("heron", trace, DetectSettings(), Knowing)
    assert len(versions(shop)) > 1
    for known in versions(shop):
        facts = [f for f in plain if f.start < known.last]
        runs = [f for f in facts if isinstance(f, Run)]
        assert known.habits == learn(facts)
        assert (known.stops, known.brakes) == (len(runs), len([run for run in runs if run.stop_us is not None]))
        assert known.cuts == len([f for f in facts if isinstance(f, Cut)])
        assert (known.first, known.last) == (runs[0].start, runs[-1].end)


def test_of_a_saw_that_shows_no_brake_it_is_known_after_some_more_stops(shop):
    trace = work("----")
    hear(shop, trace)
    assert versions(shop)[0].habits.brake_seen is False
    assert versions(shop)[0].brakes == 0
    assert shop.facts() == as_learned(shop.book, "heron", trace, make=Knowing)


def test_nothing_is_written_while_nothing_is_known(shop):
    hear(shop, work("b-"))
    assert all(v.habits.brake_seen is None for v in versions(shop))


def test_what_is_known_is_written_again_when_it_says_something_else_or_is_known_twice_as_well(shop):
    trace = work("b" * (LOOK_RUNS * 2 + 4))
    hear(shop, trace)
    seen = [v for v in versions(shop) if v.habits.brake_seen]
    assert 3 <= len(seen) <= 8, "and not once for each of them"
    assert seen[0].stops > LOOK_RUNS
    assert shop.facts() == as_learned(shop.book, "heron", trace, make=Knowing)


@pytest.mark.parametrize("make", [Knowing, Stubborn])
def test_a_clamp_that_was_moved_is_unlearned_and_what_was_before_keeps_its_reading(tmp_path, make):
    """Also by a detector that believes what it knows: it does not prove itself for ever."""
    before = work("b" * 12)
    after = work("-" * 48)
    after = shifted(after, before.last + SECOND - after.first)
    whole = merge([before, after])
    with Shop(tmp_path, make, learns=True) as shop:
        hear(shop, whole, 60)
        the_clamp_was_moved(shop, before.last, whole, make)


def the_clamp_was_moved(shop: Shop, moved: int, whole: Trace, make: type[Detector]) -> None:
    said = versions(shop)
    assert said[0].habits.brake_seen is False
    assert said[-1].habits.brake_seen is True
    assert all(v.valid_from >= moved - 100 * SECOND for v in said if not v.habits.brake_seen)
    assert shop.facts() == as_learned(shop.book, "heron", whole, make=make)


def test_it_learns_from_what_was_detected_whatever_people_marked(shop):
    trace = work("bbb")
    hear(shop, trace.between(trace.first, trace.last - 75 * SECOND))
    for cut in [f for f in shop.facts() if isinstance(f, Cut)]:
        Marks(shop.book).add(Mark("heron", MarkKind.NO_CUT, cut.start, cut.end, "operator", 1))
    hear(shop, trace.between(trace.last - 75 * SECOND, trace.last + 1))
    assert versions(shop)[0].cuts == 9
    assert not [f for f in shop.facts() if isinstance(f, Cut)], "and the marks found their cuts again"


def test_nobodys_saw_is_held_up_by_what_is_learned_of_others(shop):
    trace = work("bbb")
    for saw in ("heron", "plover"):
        shop.take(trace, saw=saw)
    shop.ingest.settle()
    shop.ingest.learn()
    assert [bool(HabitHistory(shop.book).versions(saw)) for saw in ("heron", "plover")] == [True, False]
    shop.ingest.learn()
    assert HabitHistory(shop.book).newest("plover").habits == HabitHistory(shop.book).newest("heron").habits


def test_a_later_look_happens_after_a_day_too(shop):
    trace = work("bbbb")
    hear(shop, trace)
    later = shifted(work("bbbbbb", idle=4.0), 25 * HOUR)
    hear(shop, later)
    assert versions(shop)[0].habits.idle_ma[1] > 3900
    assert shop.facts() == as_learned(shop.book, "heron", merge([trace, later]), make=Knowing)


# How far back


def test_what_is_older_than_two_days_is_not_derived_again(shop):
    old, new = work("b"), work("bbb")
    new = shifted(new, BACK_US + HOUR)
    hear(shop, old)
    hear(shop, new)
    known = versions(shop)[0]
    assert known.first == derived("heron", old, DetectSettings())[0].start, "it was learned from this one, too"
    assert known.valid_from > old.last - 100 * SECOND
    runs = [f for f in shop.facts() if isinstance(f, Run)]
    assert runs[0].cuts != runs[1].cuts == runs[2].cuts == runs[3].cuts
    assert shop.facts() == as_learned(shop.book, "heron", merge([old, new]), make=Knowing)


def test_where_the_trace_has_aged_the_facts_stay_as_they_are(shop):
    old, new = work("b"), work("bbb")
    new = shifted(new, 24 * HOUR)
    hear(shop, old)
    before = [f for f in shop.facts() if isinstance(f, Run)]
    midnight = new.first // (24 * HOUR) * 24 * HOUR
    shop.trace.write_minutes("heron", {}, midnight)
    hear(shop, new)
    known = versions(shop)[0]
    assert known.stops == 3, "of the fourth nothing is kept but what was found"
    assert known.valid_from >= midnight
    runs = [f for f in shop.facts() if isinstance(f, Run)]
    assert runs[0] == before[0]
    assert len(runs) == 4
    assert shop.book.dirty("heron") == []


def tear(shop: Shop, from_us: int, to_us: int, *, noted: bool = False) -> None:
    """The motor's readings of a stretch are lost; a new process goes on. Noted: with a torn file that was mended."""
    lost = shop.trace.read("heron", 0, 2**62)
    if noted:
        shop.clock = lost.last - AHEAD_US
        shop.troubles.happened(TORN)
        shop.troubles.write()
    kept = replace(lost, motor=merge([lost.between(0, from_us), lost.between(to_us, 2**62)]).motor)
    shop.trace.close()
    (shop.folder / "trace.db").rename(shop.folder / "torn.db")
    shop.trace = SqliteTrace(shop.folder / "trace.db")
    shop.trace.write("heron", kept)
    shop.trace.commit()
    shop.die()


def test_runs_whose_readings_a_torn_store_lost_stay_as_they_were_found(shop):
    whole = work("b-bb", lock=[(0, 1)])
    runs = [f for f in derived("heron", whole, DetectSettings(), Knowing) if isinstance(f, Run)]
    later = runs[2].start - 40 * SECOND
    hear(shop, whole.between(0, later))
    before = [f for f in shop.facts() if f.start < runs[1].start]
    tear(shop, runs[0].start, runs[0].end)
    hear(shop, whole.between(later, 2**62))
    known = versions(shop)[0]
    assert [f for f in shop.facts() if f.start < runs[1].start] == before
    after = derived("heron", whole, DetectSettings(habits=known.habits), Knowing)
    assert [f for f in shop.facts() if f.start >= known.valid_from] == [f for f in after if f.start >= known.valid_from]
    assert runs[0].end < known.valid_from < runs[1].start


def test_runs_from_before_a_store_was_mended_stay_as_they_were_found(shop):
    whole = work("b-bb", lock=[(0, 1)])
    runs = [f for f in derived("heron", whole, DetectSettings(), Knowing) if isinstance(f, Run)]
    later = runs[2].start - 40 * SECOND
    hear(shop, whole.between(0, later))
    before = [f for f in shop.facts() if f.start < later]
    tear(shop, runs[0].start, runs[0].start + 10 * SECOND, noted=True)
    hear(shop, whole.between(later, 2**62))
    assert [f for f in shop.facts() if f.start < later] == before
    assert versions(shop)[0].valid_from > later


@pytest.mark.parametrize(("seconds", "noted"), [(20, False), (10, True)])
def test_new_settings_wait_for_the_next_rest_where_readings_since_the_last_were_lost(shop, seconds, noted):
    """So few that they could be a silence of the box are missed by nobody but the one that mended the file."""
    whole = work("b-b-", lock=[(0, 1)])
    runs = [f for f in derived("heron", whole, DetectSettings(), Knowing) if isinstance(f, Run)]
    cut_off = runs[1].end + 10 * SECOND
    hear(shop, whole.between(0, cut_off))
    before = shop.facts()
    SettingsHistory(shop.book).add(SawSettings("heron", 1, {"bump_us": 4_500_000}, None, "installer", 1))
    tear(shop, runs[1].start, runs[1].start + seconds * SECOND, noted=noted)
    shop.ingest.catch_up()
    assert shop.facts() == before
    hear(shop, whole.between(cut_off, 2**62))
    assert shop.facts()[: len(before)] == before
    assert Detector("heron", None, shop.book.checkpoint("heron").state).settings.bump_us == 4_500_000


# What may happen in between


@given(st.sampled_from(["bbb", "bbbbb", "b-bbb", "---", "-----", "-b-b-"]), st.data())  # in none was the clamp moved
@settings(max_examples=15, deadline=None, suppress_health_check=[HealthCheck.too_slow])
def test_whatever_happens_meanwhile_facts_are_those_of_the_trace_and_of_what_the_book_knows(brakes, data):
    whole = work(brakes, rate=5.0)
    edges = sorted({whole.first, *data.draw(st.lists(st.integers(whole.first, whole.last), max_size=20))})
    packs = [whole.between(a, b) for a, b in zip(edges, [*edges[1:], whole.last + 1], strict=True)]
    packs = [p for p in packs if len(p)]
    late = data.draw(st.lists(st.integers(0, len(packs) - 1), max_size=3))
    order = [i for i in range(len(packs)) if i not in late] + late
    with memory_folder() as folder, Shop(Path(folder), Knowing, learns=True) as shop:
        for i in order:
            shop.take(packs[i], received=whole.last)
            what = data.draw(st.sampled_from(["settle", "settle", "learn", "learn", "die", "fail"]))
            if what == "learn" or what == "fail":
                shop.ingest.settle()
                with failing(shop, data.draw(st.integers(1, 3)) if what == "fail" else 0):
                    shop.ingest.learn()
            elif what == "die":
                shop.ingest.settle()
                shop.die()
            else:
                shop.ingest.settle()
        shop.ingest.settle()
        shop.ingest.catch_up()
        for _ in range(4):
            shop.ingest.learn()
        at_work = settings_of(shop.book, ["heron"], DetectSettings())["heron"]
        assert shop.facts() == derived("heron", whole, at_work, Knowing)
        assert shop.book.dirty("heron") == []


class failing:  # noqa: N801 (reads as a word)
    """The book fails at the n-th commit of the block, 0: at none; as it does, so does whoever wrote."""

    def __init__(self, shop: Shop, at: int) -> None:
        self.shop, self.at = shop, at

    def __enter__(self) -> None:
        commit = self.shop.book.commit

        def failing(*args: object, **more: object) -> None:
            self.at -= 1
            if self.at == 0:
                raise OperationalError("COMMIT", {}, Exception("disk full"))
            commit(*args, **more)

        self.shop.book.commit = failing

    def __exit__(self, kind: type[BaseException] | None, *_: object) -> bool:
        del self.shop.book.commit
        return kind is OperationalError


def test_killed_between_what_was_learned_and_what_follows_from_it_the_next_start_goes_on(shop):
    trace = work("bbb")
    shop.take(trace)
    shop.ingest.settle()
    with failing(shop, 1):
        shop.ingest.learn()
    assert versions(shop), "it is written"
    assert shop.book.dirty("heron"), "and what follows is not"
    before = shop.facts()
    assert before == derived("heron", trace, DetectSettings(), Knowing)
    shop.die()
    shop.ingest.catch_up()
    assert shop.facts() != before
    assert shop.facts() == as_learned(shop.book, "heron", trace, make=Knowing)


def test_a_collector_that_starts_again_works_with_what_was_learned(shop):
    trace = work("bbbbb")
    half = trace.first + (trace.last - trace.first) * 3 // 4
    hear(shop, trace.between(trace.first, half))
    assert versions(shop)
    shop.die()
    hear(shop, trace.between(half, trace.last + 1))
    assert shop.facts() == as_learned(shop.book, "heron", trace, make=Knowing)


def test_settings_that_were_calibrated_are_taken_without_a_start_as_soon_as_the_saw_stands(shop):
    trace = work("b-b-b-")
    half = trace.first + (trace.last - trace.first) // 2
    hear(shop, trace.between(trace.first, half))
    SettingsHistory(shop.book).add(SawSettings("heron", half, {"bump_us": 4_500_000}, None, "installer", half))
    hear(shop, trace.between(half, trace.last + 1))
    runs = [f for f in shop.facts() if isinstance(f, Run)]
    lengths = [(c.start, c.end - c.start) for c in shop.facts() if isinstance(c, Cut)]
    assert min(us for start, us in lengths if start < runs[0].end) < 4_500_000
    assert min((us for start, us in lengths if start > runs[3].start), default=4_500_000) >= 4_500_000
    state = shop.book.checkpoint("heron").state
    assert Detector("heron", None, state).settings.bump_us == 4_500_000


# Two collectors


class One:
    """A collector on stores that it shares."""

    def __init__(self, folder: Path, name: str) -> None:
        self.book, self.trace = Book(f"sqlite:///{folder}/book.db"), SqliteTrace(folder / "trace.db")
        self.leases = Leases(self.book.engine, name, place=name)
        learning = Learning(self.book, self.trace, DetectSettings(), Knowing)
        self.ingest = Ingest(
            self.trace, self.book, [SawEntry("heron")], None, lambda: 0, leases=self.leases, learning=learning
        )

    def hear(self, trace: Trace) -> None:
        self.ingest.absorb("heron", trace)
        self.ingest.learn()

    def stand_still(self) -> None:
        with writing(self.book.engine) as connection:
            connection.execute(update(holder).where(holder.c.id == self.leases.number).values(until_us=1))

    def close(self) -> None:
        self.book.close()
        self.trace.close()


def test_only_the_owner_of_a_saw_learns_and_the_next_owner_knows_what_it_learned(tmp_path):
    trace = work("bb-bbb--b")
    n = (trace.last - trace.first) // 3
    parts = [trace.between(trace.first + i * n, trace.first + (i + 1) * n + (3 if i == 2 else 0)) for i in range(3)]
    owner, other = One(tmp_path, "first"), One(tmp_path, "second")
    try:
        owner.ingest.absorb("heron", parts[0])
        other.hear(parts[0])  # the same, delivered to the wrong one
        assert HabitHistory(owner.book).newest("heron") is None
        owner.ingest.tend()
        owner.hear(parts[1])
        known = HabitHistory(owner.book).newest("heron")
        assert known.habits.brake_seen
        owner.stand_still()
        other.ingest.catch_up()
        other.hear(parts[2])
        book = other.book
        assert book.facts("heron", 0, 2**62) == as_learned(book, "heron", trace, make=Knowing)
        assert Detector("heron", None, book.checkpoint("heron").state).settings.habits != NEW
        owner.ingest._ripe["heron"] = 0
        owner.ingest._lines.of("heron")
        with pytest.raises(Exception, match="silent for too long"):
            owner.ingest._learning._history.add(known, None, owner.ingest._tenure.fence())
    finally:
        owner.close()
        other.close()


# What is worth a version


@pytest.mark.parametrize(
    ("now", "else_"),
    [
        (SEEN, False),
        (replace(SEEN, brake_us=(2_100_000, 2_600_000)), False),
        (replace(SEEN, brake_us=(2_100_000, 2_700_000)), True),
        (replace(SEEN, idle_ma=(2_800, 3_300)), False),
        (replace(SEEN, idle_ma=(2_600, 3_300)), True),
        (replace(SEEN, idle_ma=None), True),
        (Habits(False, None, (3_000, 3_300)), True),
        (NEW, True),
    ],
)
def test_a_tenth_of_a_range_and_whether_the_brake_is_seen_are_worth_a_version(now, else_):
    assert says_else(now, SEEN) is else_


@pytest.mark.parametrize(
    ("stops", "since"), [("bbbb----", 4), ("bb-bb--b---", 5), ("--------", 0), ("bbbb", 4), ("b-b-b---", 5)]
)
def test_a_clamp_was_moved_where_most_stops_since_speak_against_what_was_known(stops, since):
    runs = [Run("heron", i, i + 1, None, 2_000_000 if c == "b" else None, 0) for i, c in enumerate(stops)]
    assert len(turned(runs, SEEN)) == len(runs) - since


# The same as two passes over the trace


@pytest.mark.parametrize("make", [Knowing, Detector])
@pytest.mark.parametrize("family", ["ordinary", "brake-below-idle", "mixture-of-3"])
def test_one_look_at_the_end_gives_what_two_passes_over_the_trace_give(tmp_path, family, make):
    """As `derive_knowing` says of the detector, so a collector does."""
    trace = tell(family, 3).trace
    with Shop(tmp_path, make, learns=True) as shop:
        half = (trace.first + trace.last) // 2
        for part in (trace.between(trace.first, half), trace.between(half, trace.last + 1)):
            shop.ingest.absorb("heron", part)
        standing = shifted(work(""), trace.last + SECOND - work("").first)
        shop.ingest.absorb("heron", standing)
        shop.ingest.learn()
        whole = merge([trace, standing])
        habits = learn(f for f in derived("heron", whole, DetectSettings(), make) if f.end is not None)
        assert versions(shop)[0].habits == habits != NEW
        assert shop.facts() == derived("heron", whole, DetectSettings(habits=habits), make)
        if make is Detector:
            assert shop.facts() == derive_knowing("heron", whole)
