"""What ingest does with a message: takes it, refuses it with a reason, and never stops."""

from __future__ import annotations

import pytest

from collector.facts import SECOND
from collector.signals import Series, Trace, merge
from collector.wire.pack import write_pack
from tests.ingest.conftest import BOX, T0, Shop, motor
from tests.ingest.test_laws import TOPIC
from tests.ingest.threshold import ThresholdDetector, derive

WORK = motor([(40, 0), (20, 3.2), (6, 7), (10, 3.2), (60, 0)], step=0.5)


@pytest.fixture
def shop(tmp_path, book_url):
    """On both databases: what the book promises the collector is the same on each."""
    shop = Shop(tmp_path, book_url=None if book_url.startswith("sqlite") else book_url)
    yield shop
    shop.close()


def seconds(trace: Trace, length: int = 5) -> list[Trace]:
    edges = range(trace.first, trace.last + 1, length * SECOND)
    return [part for edge in edges if len(part := trace.between(edge, edge + length * SECOND))]


def refused(shop, payload, topic=TOPIC, received=T0, retained=False) -> str:
    """The code with which a message is refused; a good one must go through after it."""
    shop.ingest.take(topic, payload, received, retained, "bad")
    shop.take(motor([(1, 0)]), "good")
    assert shop.ingest.settle() == ["bad", "good"]
    assert shop.trace.last("heron") is not None
    (entry,) = shop.book.refusals()
    assert sum(shop.book.refusal_counts().values()) == 1
    assert len(entry.reason) > 20
    assert entry.topic == topic
    return entry.code


GOOD = write_pack(BOX, motor([(1, 0)]))


@pytest.mark.parametrize(
    ("payload", "code"),
    [
        (b"", "empty"),
        (b"hello", "not-senml"),
        (b"[{", "not-json"),
        (b'[{"bn":"urn:dev:mac:0024befffe804ff1:","n":"motor","u":"A","v":NaN}]', "not-json"),
        (b'[{"bn":"urn:dev:mac:0024befffe804ff1:","n":"motor","u":"A","v":"3"}]', "bad-number"),
        (b'[{"bn":"urn:dev:mac:0024befffe804ff1:","n":"motor","u":"A","v":-7}]', "current-out-of-range"),
        (b'[{"bn":"urn:dev:mac:0024befffe804ff1:","n":"motor","u":"A","v":9000}]', "current-out-of-range"),
        (b'[{"bn":"urn:dev:mac:0024befffe804ff1:","bt":5e9,"n":"motor","u":"A","v":1}]', "time-out-of-range"),
        (b'[{"bn":"urn:dev:mac:0024befffe804ff1:","bt":1e9,"n":"motor","u":"A","v":1}]', "time-out-of-range"),
        (b"[" + b" " * 11_000_000 + b"]", "too-large"),
        (b'[{"bn":"urn:dev:mac:0024befffe804ff1:"' + b'},{"n":"door","vb":true' * 40_000 + b"}]", "too-many-records"),
    ],
)
def test_a_malformed_pack_is_refused_with_its_reason_and_the_next_good_one_goes_through(shop, payload, code):
    assert refused(shop, payload) == code


@pytest.mark.parametrize(
    ("topic", "code"),
    [
        ("kerfbook/tern-point/stranger/readings", "unknown-saw"),
        ("kerfbook/elsewhere/heron/readings", "foreign-site"),
        ("kerfbook/tern-point/he/ron/readings", "bad-topic"),
        ("kerfbook/tern-point/Heron/readings", "bad-topic"),
        ("$SYS/broker/uptime", "bad-topic"),
    ],
)
def test_a_topic_that_is_none_of_ours_is_refused(shop, topic, code):
    assert refused(shop, GOOD, topic) == code


@pytest.mark.parametrize("own", ["urn:dev:mac:0024befffe804ff9:", "urn:dev:mac:0024befffe804ff9"])
def test_a_saw_that_names_its_box_hears_no_other(tmp_path, own):
    with Shop(tmp_path) as shop:
        shop.boxes = {"heron": own}
        shop.open()
        shop.take(motor([(1, 0)]), "foreign")
        shop.take(motor([(1, 0)]), "of a saw that hears any", saw="plover")
        mine = write_pack(own, motor([(2, 0)]))
        shop.ingest.take(TOPIC, mine, T0 + 2 * SECOND, False, "mine")
        assert shop.ingest.settle() == ["foreign", "of a saw that hears any", "mine"]
        (entry,) = shop.book.refusals()
        assert (entry.code, entry.saw) == ("foreign-box", "heron")
        assert repr(BOX) in entry.reason
        assert "urn:dev:mac:0024befffe804ff9:" in entry.reason
        assert shop.ingest.counts.refused == 1
        assert shop.book.refusal_counts() == {("heron", "foreign-box"): 1}
        assert shop.trace.read("heron", 0, 2**62).same(motor([(2, 0)]))
        assert shop.trace.last("plover") is not None


def test_a_foreign_box_is_refused_though_its_pack_was_delivered_before(tmp_path):
    """Packs with relative times are decoded again when the broker repeats them: no way round the check."""
    with Shop(tmp_path) as shop:
        shop.boxes = {"heron": "urn:dev:mac:0024befffe804ff9:"}
        shop.open()
        pack = write_pack(BOX, motor([(1, 0)]), clock=False, base_time_us=T0 + SECOND)
        shop.ingest.take(TOPIC, pack, T0 + SECOND, False, 1, mid=7)
        shop.ingest.take(TOPIC, pack, T0 + SECOND, False, 2, mid=7, again=True)
        assert shop.ingest.settle() == [1, 2]
        assert shop.book.refusal_counts() == {("heron", "foreign-box"): 2}
        assert shop.trace.last("heron") is None


def test_a_pack_that_the_broker_kept_is_refused_however_good(shop):
    assert refused(shop, GOOD, retained=True) == "retained"


def test_a_status_that_says_nothing_is_refused_and_a_kept_one_is_welcome(shop):
    topic = "kerfbook/tern-point/heron/status"
    assert refused(shop, b'{"online":"yes"}', topic) == "bad-status"
    shop.ingest.take(topic, b'{"online":true,"since":"ever"}', T0, True, 1)
    shop.ingest.settle()
    assert shop.book.box("heron").online is True


def test_a_flood_of_refusals_costs_one_entry_and_loses_no_count(shop):
    for i in range(5000):
        shop.ingest.take(TOPIC, b"x%d" % i, T0 + i, False, i)
    assert len(shop.ingest.settle()) == 5000
    (entry,) = shop.book.refusals()
    assert entry.occurrences == 5000
    assert entry.excerpt == b"x4999"
    assert shop.book.refusal_counts() == {("heron", "not-senml"): 5000}
    assert shop.ingest.counts.refused == 5000


def test_a_flood_of_topics_is_folded_and_counted(shop):
    for i in range(3000):
        shop.ingest.take(f"kerfbook/tern-point/x{i}/readings", GOOD, T0, False, i)
    shop.ingest.settle()
    assert len(shop.book.refusals(limit=9999)) < 100
    assert shop.book.refusal_counts() == {("", "unknown-saw"): 3000}


def test_nothing_taken_nothing_settled(shop):
    before = shop.book.revision()
    assert shop.ingest.settle() == []
    assert shop.book.revision() == before


def test_the_same_message_twice_changes_nothing(shop):
    for part in seconds(WORK):
        shop.take(part)
    shop.ingest.settle()
    before = shop.facts()
    for part in seconds(WORK):
        shop.take(part)
    shop.ingest.settle()
    assert shop.facts() == before == derive("heron", WORK)
    assert shop.ingest.counts.late == 0


def test_while_nothing_changes_no_fact_is_written_again(shop):
    written = []
    commit = shop.book.commit

    def watching(batch, *more, **and_fence):
        written.extend(len(entry.facts) + len(entry.amended) for entry in batch)
        commit(batch, *more, **and_fence)

    shop.book.commit = watching
    for part in seconds(motor([(40, 0), (60, 3.2)])):
        shop.take(part)
        shop.ingest.settle()
    assert sum(written) == 1
    assert shop.facts() == derive("heron", motor([(40, 0), (60, 3.2)]))


def test_late_packs_fill_the_gap_that_their_absence_made(shop):
    parts = seconds(WORK)
    for part in [*parts[:4], *parts[16:]]:
        shop.take(part)
        shop.ingest.settle()
    assert [f.kind for f in shop.facts()] == ["gap"]
    for part in parts[4:16]:
        shop.take(part, received=WORK.last)
        shop.ingest.settle()
    assert shop.facts() == derive("heron", WORK)


def test_an_hour_that_comes_late_touches_only_its_own_stretch(shop):
    quiet = motor([(120, 0)], step=1)
    morning = motor([(60, 0), (600, 3.2), (120, 0)], step=1, start=T0 + 3600 * SECOND)
    later = motor([(60, 0), (600, 3.2), (120, 0)], step=1, start=T0 + 3 * 3600 * SECOND)
    for trace in (quiet, later):
        shop.ingest.absorb("heron", trace)
    shop.die()
    ranges = []
    commit = shop.book.commit

    def watching(batch, *more, **and_fence):
        ranges.extend((entry.replace_from_us, entry.replace_to_us) for entry in batch)
        commit(batch, *more, **and_fence)

    shop.book.commit = watching
    for part in seconds(morning, 60):
        shop.take(part, received=later.last)
    shop.ingest.settle()
    assert shop.facts() == derive("heron", merge([quiet, morning, later]))
    ((start, end),) = ranges
    assert T0 <= start < morning.first
    assert morning.last < end <= later.last


def test_a_switch_reported_a_moment_late_takes_the_short_way_back(shop, monkeypatch):
    monkeypatch.setattr("collector.ingest.lines.derive_again", None)
    for part in seconds(WORK, 2):
        shop.take(part)
        shop.ingest.settle()
    opened = Series.of([WORK.last - 3 * SECOND + 17], [0])
    shop.take(Trace(Series.empty(), Series.empty(), Series.empty(), opened), received=WORK.last)
    shop.ingest.settle()
    whole = Trace(WORK.motor, Series.empty(), Series.empty(), opened)
    assert shop.facts() == derive("heron", whole)
    assert shop.book.dirty("heron") == []


def test_history_absorbed_at_once_and_packs_give_the_same_book(shop):
    shop.ingest.absorb("heron", WORK)
    for part in seconds(Trace(*(Series(s.t, s.v) for s in WORK.series()))):
        shop.take(part, saw="plover")
    shop.ingest.settle()
    assert shop.facts("heron") == derive("heron", WORK)
    assert shop.facts("plover") == derive("plover", WORK)
    assert shop.book.now("heron").at == shop.book.now("plover").at == WORK.last
    with pytest.raises(ValueError, match="none of the site's saws: heron, plover"):
        shop.ingest.absorb("owl", WORK)


def test_days_with_nights_between_leave_rest_points(shop):
    days = [motor([(60, 0), (7200, 3.2), (60, 0)], step=5, start=T0 + d * 86_400 * SECOND) for d in range(3)]
    shop.ingest.absorb("heron", merge(days))
    assert len(shop.book.rests("heron", 0)) >= 3
    assert shop.facts() == derive("heron", merge(days))


def test_the_skew_of_the_clock_is_that_of_the_newest_pack(shop):
    part = motor([(1, 0)])
    shop.take(part, received=part.last - 90 * SECOND)
    shop.ingest.settle()
    assert shop.book.now("heron").clock_skew_us == 90 * SECOND
    assert shop.book.now("heron").at == part.last
    assert shop.book.box("heron").urn == BOX


def test_a_new_process_goes_on_where_the_old_one_stopped(shop):
    parts = seconds(WORK, 3)
    for part in parts:
        shop.take(part)
        shop.ingest.settle()
        shop.die()
    assert shop.facts() == derive("heron", WORK)
    assert isinstance(ThresholdDetector("heron", None, shop.book.checkpoint("heron").state), ThresholdDetector)
