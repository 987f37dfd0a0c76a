"""The book keeps what it is given, and gives it back to whoever asks, while it is written."""

from __future__ import annotations

import threading

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st
from sqlalchemy.exc import SQLAlchemyError

from collector.book import (
    REFUSALS_KEPT,
    Book,
    BookError,
    BoxStatus,
    Checkpoint,
    NowEntry,
    Receipt,
    RefusalEntry,
    SawCommit,
    SawEntry,
)
from collector.facts import Conflict, Cut, Direction, DoorVisit, Gap, Run, State


def cut(start, end, direction=Direction.VERTICAL, saw="heron"):
    return Cut(saw, start, end, direction, 6100, 7400, 3200, False, 3)


def run(start, end, saw="heron"):
    return Run(saw, start, end, 41_200, 2_900_000, 4)


EVERYTHING = [
    run(100, 900),
    Run("heron", 1000, None, None, None, 0),
    cut(200, 300),
    Cut("heron", 1100, None, Direction.UNKNOWN, 1, 2, 3, True, None),
    DoorVisit("heron", 950, 990, True, False),
    Conflict("heron", 960, None, "current_while_door_open"),
    Conflict("heron", 960, 970, "cannot_start"),
    Gap("heron", 10, 99),
]


def test_every_kind_of_fact_comes_back_as_it_was_in_order_of_start(book):
    book.commit([SawCommit("heron", 0, None, EVERYTHING)])
    found = book.facts("heron", 0, 10_000)
    assert sorted(map(repr, found)) == sorted(map(repr, EVERYTHING))
    assert [fact.start for fact in found] == sorted(fact.start for fact in EVERYTHING)
    assert book.facts("plover", 0, 10_000) == []
    assert book.facts("nobody", 0, 10_000) == []


def test_facts_of_a_period_are_those_that_overlap_it(book):
    book.commit([SawCommit("heron", 0, None, EVERYTHING)])
    assert book.facts("heron", 250, 260) == [run(100, 900), cut(200, 300)]
    assert book.facts("heron", 300, 310, ["cut"]) == []
    assert book.facts("heron", 299, 310, ["cut"]) == [cut(200, 300)]
    assert {f.start for f in book.facts("heron", 5000, 5001)} == {1000, 1100, 960}


def test_an_unknown_kind_is_named(book):
    with pytest.raises(ValueError, match="no such kind of fact: 'kerf'"):
        book.facts("heron", 0, 1, ["kerf"])


@given(
    st.lists(st.tuples(st.integers(0, 50), st.integers(1, 8)), max_size=12),
    st.integers(0, 60),
    st.integers(0, 60),
)
@settings(max_examples=60, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture])
def test_overlap_means_overlap(book, steps, start, length):
    cuts, at = [], 0
    for pause, duration in steps:
        cuts.append(cut(at + pause, at + pause + duration))
        at += pause + duration
    book.commit([SawCommit("heron", 0, None, cuts)])
    end = start + length
    wanted = [c for c in cuts if c.start < end and c.end > start]
    assert book.facts("heron", start, end, ["cut"]) == wanted


def test_a_commit_replaces_its_period_and_nothing_else(book):
    book.commit([SawCommit("heron", 0, None, [cut(10, 20), cut(30, 40), cut(50, 60)])])
    book.commit([SawCommit("plover", 0, None, [cut(30, 40, saw="plover")])])
    book.commit([SawCommit("heron", 30, 50, [cut(33, 35)])])
    assert book.facts("heron", 0, 99) == [cut(10, 20), cut(33, 35), cut(50, 60)]
    assert book.facts("plover", 0, 99) == [cut(30, 40, saw="plover")]


def test_an_amended_fact_replaces_the_one_of_its_kind_and_start(book):
    book.commit([SawCommit("heron", 0, None, [run(10, None), cut(10, 12), cut(30, 40)])])
    book.commit([SawCommit("heron", 35, None, [cut(50, 60)], amended=[run(10, 70), run(5, 6)])])
    assert book.facts("heron", 0, 99) == [run(5, 6), cut(10, 12), run(10, 70), cut(30, 40), cut(50, 60)]


def test_a_commit_that_fails_changes_nothing(book):
    book.commit([SawCommit("heron", 0, None, [cut(10, 20)])])
    before = book.revision()
    with pytest.raises(SQLAlchemyError):
        book.commit([SawCommit("heron", 0, None, [cut(30, 40), cut(30, 41)])])
    with pytest.raises(BookError, match="no saw 'owl'"):
        book.commit([SawCommit("heron", 0, None, []), SawCommit("owl", 0, None, [])])
    assert book.facts("heron", 0, 99) == [cut(10, 20)]
    assert book.revision() == before


def test_the_revision_grows_with_every_commit_and_tells_whom_it_touched(book):
    first = book.revision()
    book.commit([SawCommit("heron", 0, None, [cut(10, 20)])])
    second = book.revision()
    book.commit([SawCommit("plover", 0, None, [])])
    assert first < second < book.revision()
    assert book.changed(first) == ["heron", "plover"]
    assert book.changed(second) == ["plover"]
    assert book.changed(book.revision()) == []


def test_the_present_and_the_checkpoint_are_none_before_the_first_reading(book):
    assert book.now("heron") is None
    assert book.checkpoint("heron") is None
    assert book.nows() == {}
    now = NowEntry("heron", 5, State.WORKING, 3, 6100, True, 2, None, -40)
    book.commit([SawCommit("heron", checkpoint=Checkpoint(5, b"\x00state"), now=now)])
    assert book.now("heron") == now
    assert book.nows() == {"heron": now}
    assert book.checkpoint("heron") == Checkpoint(5, b"\x00state")
    assert book.checkpoint("plover") is None


def test_known_saws_keep_what_is_known_and_take_the_new_title(book):
    book.commit([SawCommit("heron", 0, None, [cut(10, 20)])])
    book.open_saws([SawEntry("heron", "The big one"), SawEntry("wren")])
    assert book.saws() == [SawEntry("heron", "The big one"), SawEntry("plover", "plover"), SawEntry("wren", "wren")]
    assert book.facts("heron", 0, 99) == [cut(10, 20)]


def test_cuts_are_counted_by_saw_and_direction(book):
    book.commit([SawCommit("heron", 0, None, [cut(i, i + 1) for i in (10, 20, 30)])])
    book.commit([SawCommit("plover", 0, None, [cut(25, 26, Direction.HORIZONTAL, "plover")])])
    assert book.count_cuts(15, 99) == {"heron": {"vertical": 2}, "plover": {"horizontal": 1}}


def test_a_rest_point_that_a_fact_spans_is_no_start_for_a_derivation(book):
    facts = [run(10, 20), DoorVisit("heron", 90, 130, False, False), Gap("heron", 200, 300)]
    book.commit([SawCommit("heron", 0, None, facts, rests=[50, 100, 200, 250])])
    assert book.rest_before("heron", 50) is None
    assert book.rest_before("heron", 120) == 50
    assert book.rest_before("heron", 240) == 200
    assert book.rest_before("heron", 260) == 200
    assert book.rests("heron", 50) == [100, 200, 250]
    assert book.last_rest("heron") == 250
    book.commit([SawCommit("heron", 90, 240, [], rests_from_us=91, rests=[95])])
    assert book.rests("heron", 0) == [50, 95, 250]


def test_dirty_stretches_stay_until_a_commit_cleans_them(book):
    book.mark_dirty({"heron": (50, 60)})
    first = book.mark_dirty({"heron": (10, 20)})["heron"]
    assert [(s.from_us, s.to_us) for s in book.dirty("heron")] == [(10, 20), (50, 60)]
    book.commit([SawCommit("heron", cleaned=[first])])
    assert [(s.from_us, s.to_us) for s in book.dirty("heron")] == [(50, 60)]
    assert book.dirty("plover") == []


def refusal(received, topic="kerfbook/t/heron/readings", code="not-json", saw="heron", times=1):
    return RefusalEntry(topic, saw, code, f"reason at {received}", received, received, b"x" * 1000, times)


def test_refusals_alike_are_folded_and_every_one_is_counted(book):
    hour = 3_600_000_000
    book.commit([], [refusal(1, times=5), refusal(1, code="bad-record")])
    book.commit([], [refusal(hour - 1, times=2)])
    book.commit([], [refusal(3 * hour)])
    newest, bad_record, folded = book.refusals()
    assert (folded.occurrences, folded.first_us, folded.last_us) == (7, 1, hour - 1)
    assert folded.reason == f"reason at {hour - 1}"
    assert len(folded.excerpt) == 256
    assert (newest.code, newest.occurrences) == ("not-json", 1)
    assert bad_record.code == "bad-record"
    assert book.refusals(limit=1, before=newest.id) == [bad_record]
    assert book.refusal_counts() == {("heron", "not-json"): 8, ("heron", "bad-record"): 1}


def test_a_flood_of_refusals_fills_no_disk_and_loses_no_count(book):
    for i in range(0, 3 * REFUSALS_KEPT, 500):
        book.commit([], [refusal(i + j, topic=f"kerfbook/t/x{i + j}", saw=None) for j in range(500)])
    kept = book.refusals(limit=10 * REFUSALS_KEPT)
    assert len(kept) == REFUSALS_KEPT
    assert kept[0].topic == f"kerfbook/t/x{3 * REFUSALS_KEPT - 1}"
    assert book.refusal_counts() == {("", "not-json"): 3 * REFUSALS_KEPT}


def test_a_box_is_online_since_it_changed(book):
    assert book.box("heron").online is None
    book.commit([], boxes=[BoxStatus("heron", True, 100)])
    book.commit([], boxes=[BoxStatus("heron", True, 200)])
    assert (book.box("heron").online, book.box("heron").since_us) == (True, 100)
    book.commit([SawCommit("heron", box="urn:dev:mac:0024befffe804ff1:")], boxes=[BoxStatus("heron", False, 300)])
    assert book.box("heron").online is False
    assert book.box("heron").since_us == 300
    assert book.box("heron").urn == "urn:dev:mac:0024befffe804ff1:"


def test_plans_hold_from_their_start_until_the_next(book):
    assert book.plan(5) is None
    book.put_plan({"shifts": ["a"]}, 10)
    book.put_plan({"shifts": ["b"]}, 20)
    book.put_plan({"shifts": ["ü"]}, 20)
    assert book.plan(9) is None
    assert book.plan(19).body == {"shifts": ["a"]}
    assert book.plan(20).body == {"shifts": ["ü"]}
    assert [plan.valid_from_us for plan in book.plans()] == [10, 20]


def test_a_receipt_is_the_newest_of_its_identifier(book):
    book.put_receipts([Receipt("heron", 7, b"a", 1), Receipt("heron", 8, b"b", 2)])
    book.put_receipts([Receipt("heron", 7, b"c", 3)])
    assert book.receipt("heron", 7) == Receipt("heron", 7, b"c", 3)
    assert book.receipt("plover", 7) is None


def test_readers_in_other_threads_see_whole_commits_while_the_book_is_written(book, url):
    wrong, stop = [], threading.Event()

    def look():
        with Book(url) as mine:
            while not stop.is_set():
                lengths = {f.end - f.start for f in mine.facts("heron", 0, 10_000)}
                if len(lengths) > 1:
                    wrong.append(lengths)

    readers = [threading.Thread(target=look) for _ in range(3)]
    for reader in readers:
        reader.start()
    for n in range(1, 80):
        book.commit([SawCommit("heron", 0, None, [cut(i * 100, i * 100 + n) for i in range(20)])])
    stop.set()
    for reader in readers:
        reader.join()
    assert wrong == []
