"""``kerfbook derive``: shows first, changes then, keeps what people said, leaves alone what it cannot know."""

from __future__ import annotations

import datetime as dt
from dataclasses import replace
from typing import TYPE_CHECKING

import pytest

from collector.adopt import settings_of
from collector.book.book import Book
from collector.book.entries import SawCommit, SawEntry
from collector.book.habits import HabitHistory, Learned
from collector.book.marks import Marks
from collector.book.settings import SawSettings, SettingsHistory
from collector.detect.detector import Detector, derive
from collector.detect.habits import Habits
from collector.detect.settings import DetectSettings
from collector.facts import SECOND, Cut
from collector.ingest import Ingest
from collector.marks import Mark, MarkKind
from collector.rederive import apply, difference, rederive
from collector.trace.sqlite import SqliteTrace
from dashboard.cli import main
from dashboard.commands import codes
from dashboard.config import load
from simulator.shop import Saw, simulate_day
from tests.configuration import one_saw

if TYPE_CHECKING:
    from pathlib import Path

SAW = "heron"
DAY = ["--from", "2026-03-02", "--to", "2026-03-03"]
LONG_CUTS = {"bump_us": 4 * SECOND}  # settings with which cuts below 4 s are none: much changes


@pytest.fixture(scope="module")
def played():
    """Two days in a row."""
    return [simulate_day(Saw(SAW), dt.date(2026, 3, day), seed=3).trace for day in (2, 3)]


class Site:
    """A site with a filled folder, as `kerfbook run` would leave it."""

    def __init__(self, folder: Path, days) -> None:
        self.folder = folder
        self.config = folder / "kerfbook.toml"
        self.config.write_text(one_saw('folder = "."'))
        stores = load(self.config).stores
        self.trace_file, self.book_url = stores.trace, stores.book
        self.trace = SqliteTrace(self.trace_file)
        self.book = Book(self.book_url)
        self.ingest = Ingest(
            self.trace, self.book, [_entry()], DetectSettings(), lambda: days[-1].last, make=Detector, site="tern-point"
        )
        for day in days:
            self.ingest.absorb(SAW, day)

    def derive(self, *args: str) -> int:
        return main(["derive", *DAY, "--config", str(self.config), *args])

    def facts(self):
        return self.book.detected(SAW, 0, 2**62)

    def calibrated(self, **values: int) -> None:
        SettingsHistory(self.book).add(SawSettings(SAW, 1, values, None, "installer", 2))

    def close(self) -> None:
        self.trace.close()
        self.book.close()


def _entry():
    return SawEntry(SAW, "Heron")


@pytest.fixture
def site(tmp_path, played):
    site = Site(tmp_path, played)
    yield site
    site.close()


def test_with_the_same_settings_there_is_nothing_to_change(site, capsys):
    before = site.facts()
    assert site.derive() == codes.DONE
    assert "Nothing to change." in capsys.readouterr().out
    assert site.facts() == before


def test_a_dry_run_shows_counts_and_cuts_and_changes_nothing(site, capsys):
    before = site.facts()
    site.calibrated(**LONG_CUTS)
    assert site.derive("--dry-run") == codes.SHOWN
    told = capsys.readouterr().out
    gone = sum(isinstance(f, Cut) and f.end - f.start < 4 * SECOND for f in before if f.start < site_day_end())
    assert f"cuts: 0 added, {gone} removed, 0 moved or changed" in told
    assert told.count("    - cut 2026-03-02") == min(gone, 40)
    assert site.facts() == before


def site_day_end() -> int:
    return 1_772_496_000 * SECOND  # 2026-03-03T00:00Z, midnight in Lisbon


def test_nobody_is_asked_where_nobody_is(site, capsys):
    before = site.facts()
    site.calibrated(**LONG_CUTS)
    assert site.derive() == codes.SHOWN
    assert "--yes" in capsys.readouterr().err
    assert site.facts() == before


def test_yes_changes_the_period_and_nothing_outside_it(site, played):
    before = site.facts()
    site.calibrated(**LONG_CUTS)
    assert site.derive("--yes") == codes.DONE
    after = site.facts()
    wanted = derive(SAW, played[0], DetectSettings(**LONG_CUTS))
    end = played[0].last
    assert [f for f in after if isinstance(f, Cut) and f.start < end] == [f for f in wanted if isinstance(f, Cut)]
    assert [f for f in after if f.start > end + 3600 * SECOND] == [f for f in before if f.start > end + 3600 * SECOND]
    assert site.derive("--yes") == codes.DONE  # again: nothing to change
    assert site.facts() == after


def test_a_period_is_derived_with_the_habits_that_the_saw_had_then(site, played):
    history, calibrated = HabitHistory(site.book), DetectSettings(**LONG_CUTS)
    site.calibrated(**LONG_CUTS)
    habits = [Habits(True, (1, 2), None), Habits(False, None, None), Habits(None, None, (3, 4))]
    for known, date in zip(habits, (played[0].first, played[1].first, played[1].last), strict=True):
        history.add(Learned(SAW, date, known, 9, 9, 9, date, date, date), None)

    def then(at_us: int | None) -> Habits:
        return settings_of(site.book, [SAW], DetectSettings(), at_us)[SAW].habits

    assert [then(d) for d in (1, site_day_end(), played[1].last - 1, None)] == [
        habits[0],
        habits[0],
        habits[1],
        habits[2],
    ]
    assert site.derive("--yes") == codes.DONE
    wanted = derive(SAW, played[0], replace(calibrated, habits=habits[0]))
    cuts = [f for f in site.facts() if isinstance(f, Cut) and f.start < played[0].last]
    assert cuts == [f for f in wanted if isinstance(f, Cut)]


def test_what_people_said_is_kept_and_finds_its_cut_again(site):
    cuts = [f for f in site.facts() if isinstance(f, Cut) and f.end - f.start > 8 * SECOND]
    marks = Marks(site.book)
    mark = marks.add(Mark(SAW, MarkKind.NO_CUT, cuts[0].start - SECOND // 3, cuts[0].end, "operator", 5))
    site.calibrated(**LONG_CUTS)
    assert site.derive("--yes") == codes.DONE
    assert marks.of(SAW, 0, 2**62) == [mark]
    counted = [f.start for f in site.book.facts(SAW, 0, 2**62, ["cut"])]
    assert cuts[0].start not in counted
    assert cuts[1].start in counted


def test_a_mark_that_would_lose_its_cut_is_told_of(site, capsys):
    short = next(f for f in site.facts() if isinstance(f, Cut) and f.end - f.start < 3 * SECOND)
    Marks(site.book).add(Mark(SAW, MarkKind.NO_CUT, short.start, short.end, "operator", 5))
    site.calibrated(**LONG_CUTS)
    site.derive("--dry-run")
    assert "1 mark 'no cut' would find no cut any more" in capsys.readouterr().out


def age(site, until: int) -> None:
    """The trace before a time leaves, as it does with age."""
    site.trace.write_minutes(SAW, {}, until)


def test_facts_whose_trace_has_aged_out_are_left_alone_and_named(site, played, capsys):
    before = site.facts()
    noon = played[0].first + 12 * 3600 * SECOND
    age(site, noon)
    held = site.trace.read(SAW, 0, 2**62).first
    site.calibrated(**LONG_CUTS)
    assert site.derive("--yes") == codes.FLAWED
    assert "not derivable, the trace has aged out; facts kept" in capsys.readouterr().out
    after = site.facts()
    assert [f for f in after if f.start < held - 3600 * SECOND] == [f for f in before if f.start < held - 3600 * SECOND]
    late = [f for f in after if isinstance(f, Cut) and held + 3600 * SECOND < f.start < site_day_end()]
    assert late
    assert all(f.end - f.start >= 4 * SECOND for f in late)


def test_what_the_collector_is_still_at_is_left_to_it(site, played, capsys):
    ending = next(f for f in reversed(site.facts()) if isinstance(f, Cut))
    site.calibrated(**LONG_CUTS)
    assert main(["derive", "--from", "2026-03-03", "--to", "2026-03-05", "--config", str(site.config), "--yes"]) == 0
    assert "it is the collector's" in capsys.readouterr().out
    assert ending.start < played[1].last


def test_beside_a_working_collector_both_keep_what_they_do(tmp_path, played):
    """The collector has half of the second day; the first is derived again; then the collector goes on."""
    half = played[1].first + 12 * 3600 * SECOND
    site = Site(tmp_path, [played[0], played[1].between(0, half)])
    try:
        site.calibrated(**LONG_CUTS)
        assert site.derive("--yes") == codes.DONE
        site.ingest.absorb(SAW, played[1].between(half, 2**62))
        second = [f for f in site.facts() if f.start >= site_day_end() + 3600 * SECOND]
        assert second == [f for f in derive(SAW, played[1]) if f.start >= site_day_end() + 3600 * SECOND]
        first = [f for f in site.facts() if isinstance(f, Cut) and f.start < site_day_end()]
        assert first == [f for f in derive(SAW, played[0], DetectSettings(**LONG_CUTS)) if isinstance(f, Cut)]
    finally:
        site.close()


def test_a_part_that_changed_meanwhile_is_derived_again_from_what_is_there(site):
    settings = DetectSettings(**LONG_CUTS)
    found = rederive(site.trace, site.book, SAW, 0, site_day_end(), settings, Detector)
    (part, *_) = found.parts
    stranger = replace(next(f for f in part.change.before if isinstance(f, Cut)), mean_ma=1)
    others = [f for f in part.change.before if f.start != stranger.start or not isinstance(f, Cut)]
    site.book.commit([SawCommit(SAW, *part.period, [*others, stranger])])
    assert apply(site.trace, site.book, found, settings, Detector) == (len(found.parts), [])
    assert stranger not in site.facts()


def test_a_part_with_late_readings_waiting_is_left(site):
    settings = DetectSettings(**LONG_CUTS)
    found = rederive(site.trace, site.book, SAW, 0, site_day_end(), settings, Detector)
    before = site.facts()
    site.book.mark_dirty({SAW: found.parts[0].period})
    written, left = apply(site.trace, site.book, found, settings, Detector)
    assert found.parts[0].period in left
    assert written == len(found.parts) - len(left)
    low, high = found.parts[0].period
    assert [f for f in site.facts() if low <= f.start < high] == [f for f in before if low <= f.start < high]


@pytest.mark.parametrize(
    ("args", "told"),
    [
        (["--from", "yesterday", "--to", "2026-03-03"], "'yesterday' is no time"),
        (["--from", "2026-03-03", "--to", "2026-03-02"], "--to must lie after --from"),
        ([*DAY, "--saw", "egret"], "there is no saw 'egret'; there are heron"),
        ([*DAY, "--config", "/nowhere.toml"], "/nowhere.toml"),
    ],
)
def test_wrong_arguments_are_named(site, args, told, capsys):
    assert main(["derive", "--config", str(site.config), *args]) == codes.MISUSED
    assert told in capsys.readouterr().err


def test_difference_pairs_what_is_one_fact():
    def cut(a: int, b: int) -> Cut:
        return Cut(SAW, a, b, "vertical", 1, 1, 1, lock_moved=False, station=None)

    found = difference([cut(0, 10), cut(20, 30), cut(50, 60)], [cut(0, 10), cut(21, 31), cut(80, 90)])
    assert found.same == 1
    assert found.moved == [(cut(20, 30), cut(21, 31))]
    assert found.removed == [cut(50, 60)]
    assert found.added == [cut(80, 90)]
