"""``kerfbook calibrate``, and the collector that takes what it keeps, and learns the rest."""

from __future__ import annotations

import io
import os
import pty
import subprocess
import sys
import time
from dataclasses import replace
from typing import TYPE_CHECKING

import pytest

from collector.book.book import Book
from collector.book.entries import SawEntry
from collector.book.habits import HabitHistory
from collector.book.marks import Marks
from collector.book.settings import SettingsHistory
from collector.detect.detector import Detector
from collector.detect.settings import DetectSettings
from collector.facts import Cut, iso
from collector.ingest import Ingest
from collector.marks import Mark, MarkKind
from collector.signals import Trace
from collector.trace.sqlite import SqliteTrace
from dashboard.cli import main
from dashboard.commands import codes
from dashboard.config import load
from dashboard.house import House
from tests.calibrate.trial import BOX, trial
from tests.configuration import one_saw
from tests.ingest.learned import as_learned, work

if TYPE_CHECKING:
    from pathlib import Path

SAW = "heron"


class Site:
    """A site whose collector has taken a trial."""

    def __init__(self, folder: Path, played) -> None:
        self.played = played
        self.config = folder / "kerfbook.toml"
        self.config.write_text(one_saw('folder = "."'))
        self.settings = load(self.config)
        stores = self.settings.stores
        with SqliteTrace(stores.trace) as trace, Book(stores.book) as book:
            ingest = Ingest(trace, book, [SawEntry(SAW)], DetectSettings(), lambda: 0, make=Detector, site="tern-point")
            ingest.absorb(SAW, played.trace)

    def book(self) -> Book:
        return Book(self.settings.stores.book)

    def calibrate(self, *args: str) -> int:
        return main(["calibrate", SAW, "--config", str(self.config), *args])

    @property
    def steps(self) -> list[str]:
        s = self.played.steps
        return ["--steps", *(str(iso(t)) for t in (s.off, s.idle, s.cuts, s.stop, s.end))]


@pytest.fixture
def site(tmp_path):
    return Site(tmp_path, trial(box=replace(BOX, offset=0.6)))


def test_a_past_trial_is_shown_and_kept_on_yes(site, capsys):
    assert site.calibrate(*site.steps) == codes.SHOWN
    assert "Nothing was kept." in capsys.readouterr().out
    assert site.calibrate(*site.steps, "--yes", "--who", "maintenance lead") == codes.DONE
    told = capsys.readouterr().out
    assert "Cutting: 3 cuts seen" in told
    assert "on 1." in told  # the threshold, in amperes
    with site.book() as book:
        newest = SettingsHistory(book).newest(SAW)
    assert newest.valid_from == site.played.steps.off
    assert newest.who == "maintenance lead"


def test_a_fault_keeps_nothing(tmp_path, capsys):
    site = Site(tmp_path, trial().clipped(4500))
    assert site.calibrate(*site.steps, "--yes") == codes.FLAWED
    assert "MEND The clamp is too small" in capsys.readouterr().out
    with site.book() as book:
        assert SettingsHistory(book).newest(SAW) is None


@pytest.mark.parametrize(
    ("args", "told"),
    [
        (["--steps", "1", "2", "3", "4", "5"], "'1' is no time"),
        (["--who", " "], "--who"),
        (["--folder", "/nowhere"], "not allowed with"),
        ([], "nobody is at this terminal"),
    ],
)
def test_wrong_arguments_are_named(site, args, told, capsys, monkeypatch):
    monkeypatch.setattr(sys, "stdin", io.StringIO())
    try:
        code = site.calibrate(*args)
    except SystemExit as end:
        code = end.code
    assert code == codes.MISUSED
    assert told in capsys.readouterr().err


def test_a_saw_that_is_none_of_the_site_is_named(site, capsys):
    assert main(["calibrate", "egret", "--config", str(site.config)]) == codes.MISUSED
    assert "there is no saw 'egret'" in capsys.readouterr().err


def test_the_report_holds_the_detector_against_marks(site, capsys):
    period = ["--from", "2026-03-02", "--to", "2026-03-03"]
    assert site.calibrate("--report", *period) == codes.FLAWED
    assert "nobody marked a cut" in capsys.readouterr().out
    with site.book() as book:
        cuts = [f for f in book.detected(SAW, 0, 2**62) if isinstance(f, Cut)]
        marks = Marks(book)
        marks.add(Mark(SAW, MarkKind.NO_CUT, cuts[0].start, cuts[0].end, "operator", 1))
        marks.add(Mark(SAW, MarkKind.MISSED_CUT, cuts[-1].end + 5_000_000, cuts[-1].end + 9_000_000, "operator", 1))
    assert site.calibrate("--report", *period) == codes.DONE
    told = capsys.readouterr().out
    right = len(cuts) - 1
    assert f"precision          {right / len(cuts):.4f}" in told
    assert f"recall             {right / (right + 1):.4f}" in told


def test_what_runs_learns_by_itself_and_works_with_it(site):
    stores = site.settings.stores
    house = House(site.settings.site, stores.trace, stores.book, site.settings.detection)
    day = work("bbb")
    by_us = site.played.steps.end + 600_000_000 - day.first
    house.ingest.absorb(SAW, Trace(*(replace(s, t=s.t + by_us) for s in day.series())))
    house.ingest.learn()
    house.close()
    with site.book() as book, SqliteTrace(stores.trace) as trace:
        known = HabitHistory(book).newest(SAW)
        assert known is not None
        assert known.habits.brake_seen
        assert Detector(SAW, None, book.checkpoint(SAW).state).settings.habits == known.habits
        assert book.detected(SAW, 0, 2**62) == as_learned(book, SAW, trace.read(SAW, 0, 2**62))


def test_a_collector_that_was_not_running_takes_kept_settings_at_its_start(site):
    site.calibrate(*site.steps, "--yes")
    stores = site.settings.stores
    with site.book() as book:
        before = Detector(SAW, None, book.checkpoint(SAW).state)
    assert before.settings == DetectSettings()

    def start() -> None:
        house = House(site.settings.site, stores.trace, stores.book, site.settings.detection)
        house.ingest.catch_up()
        house.close()

    start()
    with site.book() as book, SqliteTrace(stores.trace) as trace:
        after = Detector(SAW, None, book.checkpoint(SAW).state)
        wanted = SettingsHistory(book).of(SAW, DetectSettings())
        assert after.settings == wanted != DetectSettings()
        again = Detector(SAW, wanted)
        again.feed(trace.read(SAW, 0, 2**62))
        assert book.detected(SAW, 0, 2**62) == again.facts().facts
    start()  # nothing to do


@pytest.mark.real
def test_at_a_terminal_it_leads_through_the_steps(site):
    """A person presses Enter four times; nothing is heard of the box just then, and it says so."""
    ours, theirs = pty.openpty()
    command = [sys.executable, "-m", "dashboard", "calibrate", SAW, "--config", str(site.config)]
    starter = "import sys; from dashboard.cli import main; sys.exit(main(sys.argv[1:]))"
    command = [sys.executable, "-c", starter, *command[3:]]
    child = subprocess.Popen(command, stdin=theirs, stdout=subprocess.PIPE, stderr=subprocess.PIPE, text=True)
    os.close(theirs)
    for _ in range(4):
        time.sleep(0.8)
        os.write(ours, b"\n")
    out, err = child.communicate(timeout=20)
    os.close(ours)
    assert child.returncode == codes.FLAWED, err
    assert "4 of 4. Wait until the blade stands still" in out
    assert " s ago" in err
    assert "Nothing was kept." in out
