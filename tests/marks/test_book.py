"""Marks and settings in a real book: append-only, and in every count."""

from __future__ import annotations

import random

import pytest

from collector.book import Book, BookError, SawCommit, SawEntry
from collector.book.marks import Marks
from collector.book.settings import SawSettings, SettingsHistory
from collector.detect.settings import DetectSettings
from collector.facts import SECOND, Cut, Direction, Run
from collector.marks import Mark, MarkKind, corrected_facts
from collector.outline import outline_of

SAW = "heron"
MINUTE = 60 * SECOND


@pytest.fixture
def book(book_url):
    with Book(book_url) as book:
        book.open_saws([SawEntry(SAW), SawEntry("plover")])
        yield book


def day(dice: random.Random) -> list[Run | Cut]:
    facts, at = [], 100 * MINUTE
    for _ in range(12):
        start, cuts = at, []
        for _ in range(dice.randrange(1, 9)):
            at += dice.randrange(2, 40) * SECOND
            end = at + dice.randrange(2, 60) * SECOND
            direction = dice.choice(list(Direction))
            cuts.append(Cut(SAW, at, end, direction, 1, 1, 1, lock_moved=False, station=None))
            at = end
        at += 10 * SECOND
        facts += [Run(SAW, start, at, None, None, len(cuts)), *cuts]
        at += dice.randrange(1, 20) * MINUTE
    return facts


def marks_on(facts, dice: random.Random) -> list[Mark]:
    cuts = [f for f in facts if isinstance(f, Cut)]
    said = []
    for c in dice.sample(cuts, 10):
        nudge = (c.end - c.start) // 4
        said.append(Mark(SAW, MarkKind.NO_CUT, c.start - nudge, c.end, "operator", 1))
    for _ in range(8):
        at = dice.randrange(cuts[0].start, cuts[-1].end)
        direction = dice.choice(list(Direction))
        end = at + dice.randrange(1, 60) * SECOND
        said.append(Mark(SAW, MarkKind.MISSED_CUT, at, end, "operator", 1, "", direction, 5, 6, 4))
    return said


@pytest.mark.parametrize("seed", range(6))
def test_every_way_to_read_a_period_sees_the_same_cuts(book, seed):
    """Facts, outline and counts, of any period, are those of the whole corrected day that lie in it."""
    dice = random.Random(seed)
    facts = day(dice)
    book.commit([SawCommit(SAW, 0, None, facts)])
    said = [Marks(book).add(m) for m in marks_on(facts, dice)]
    whole = corrected_facts(
        facts, [f for f in facts if isinstance(f, Cut)], sorted(said, key=lambda m: (m.start, m.id))
    )
    for _ in range(60):
        a, b = sorted(dice.randrange(90 * MINUTE, facts[-1].end) for _ in range(2))
        b += 1
        wanted = [f for f in whole if f.start < b and f.end > a]
        assert sorted(book.facts(SAW, a, b), key=repr) == sorted(wanted, key=repr)
        lined = book.outline(SAW, a, b).tolist()
        assert sorted(map(tuple, lined)) == sorted(map(tuple, outline_of(wanted).tolist()))
        begun = [f for f in whole if isinstance(f, Cut) and a <= f.start < b]
        counts = book.count_cuts(a, b).get(SAW, {})
        assert {d.value: sum(c.direction is d for c in begun) for d in Direction} == {
            d.value: counts.get(d.value, 0) for d in Direction
        }
        assert [f for f in book.detected(SAW, a, b)] == [f for f in facts if f.start < b and f.end > a]  # noqa: C416


def test_a_derivation_leaves_marks_as_they_are(book):
    facts = day(random.Random(1))
    book.commit([SawCommit(SAW, 0, None, facts)])
    said = Marks(book).add(marks_on(facts, random.Random(1))[0])
    book.commit([SawCommit(SAW, 0, None, [])])
    assert Marks(book).of(SAW, 0, 2**62) == [said]
    book.commit([SawCommit(SAW, 0, None, facts)])
    assert len(book.facts(SAW, 0, 2**62, ["cut"])) == len([f for f in facts if isinstance(f, Cut)]) - 1


def test_a_mark_taken_back_stays_readable_with_both_names(book):
    marks = Marks(book)
    mark = marks.add(Mark(SAW, MarkKind.NO_CUT, 5, 9, "operator", 10))
    back = marks.withdraw(SAW, mark.id, "maintenance lead", 20)
    again = marks.withdraw(SAW, mark.id, "owner", 30)
    assert back == again
    assert back.withdrawn.who == "maintenance lead"
    assert back.who == "operator"
    assert marks.of(SAW, 0, 100) == []
    assert marks.of(SAW, 0, 100, withdrawn=True) == [back]
    assert marks.withdraw("plover", mark.id, "owner", 30) is None


def test_saying_the_same_twice_is_saying_it_once(book):
    marks = Marks(book)
    one = marks.add(Mark(SAW, MarkKind.NO_CUT, 5, 9, "operator", 10))
    assert marks.add(Mark(SAW, MarkKind.NO_CUT, 5, 9, "owner", 11)) == one
    marks.withdraw(SAW, one.id, "owner", 12)
    assert marks.add(Mark(SAW, MarkKind.NO_CUT, 5, 9, "owner", 13)).id != one.id


def test_a_mark_moves_the_revision_so_that_screens_learn_of_it(book):
    before = book.revision()
    mark = Marks(book).add(Mark(SAW, MarkKind.NO_CUT, 5, 9, "operator", 10))
    assert book.changed(before) == [SAW]
    between = book.revision()
    Marks(book).withdraw(SAW, mark.id, "operator", 11)
    assert book.changed(between) == [SAW]


def test_of_an_unknown_saw_nothing_can_be_said(book):
    with pytest.raises(BookError, match="egret"):
        Marks(book).add(Mark("egret", MarkKind.NO_CUT, 5, 9, "operator", 10))


def test_the_newest_settings_count_and_the_past_is_kept(book):
    history = SettingsHistory(book)
    base = DetectSettings(pause_us=900_000)
    assert history.of(SAW, base) == base
    history.add(SawSettings(SAW, 100, {"on_ma": 800}, {"idle_amps": 3.2}, "installer", 110))
    history.add(SawSettings(SAW, 200, {"on_ma": 900, "on_band_ma": 100}, None, "installer", 210))
    history.add(SawSettings(SAW, 150, {}, None, "installer", 220))  # an older trial, looked at later
    assert history.of(SAW, base) == DetectSettings(pause_us=900_000, on_ma=900, on_band_ma=100)
    assert [v.valid_from for v in history.versions(SAW)] == [200, 150, 100]
    assert history.versions(SAW)[-1].seen == {"idle_amps": 3.2}
    assert history.of("plover", base) == base
    with pytest.raises(ValueError, match="no setting 'luck'"):
        history.add(SawSettings(SAW, 300, {"luck": 1}, None, "installer", 310))
