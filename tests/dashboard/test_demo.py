"""The demo: its moved shift, its folder, and the whole of it as a process."""

from __future__ import annotations

import datetime as dt
import json
import re
import signal
import subprocess
import sys
import time
import urllib.request
from pathlib import Path
from typing import Any, Self

import pytest
from hypothesis import given
from hypothesis import strategies as st

from api.answers.calendar import planned, site_date
from collector.facts import SECOND
from dashboard.demo.days import trace_of
from dashboard.demo.folder import DemoFolder
from dashboard.demo.past import Past
from dashboard.demo.shifts import calendar, crew_shift, lay
from simulator import world
from tests.waiting import until

MONDAY = dt.datetime(2026, 3, 2, tzinfo=world.ZONE)
FIRST, LAST = (MONDAY.replace(year=year, tzinfo=None) for year in (2026, 2028))
moments = st.datetimes(FIRST, LAST, timezones=st.just(world.ZONE), allow_imaginary=False)


@given(moments)
def test_whenever_somebody_looks_the_shop_is_planned_to_work(now: dt.datetime) -> None:
    plan = calendar({now.date(): lay(now)})
    t = round(now.timestamp() * SECOND)
    spans = planned(plan, world.ZONE, t - 86_400 * SECOND, t + 86_400 * SECOND)
    last_minutes = now.hour * 60 + now.minute >= 23 * 60 + 59
    assert last_minutes or any(a <= t < b for a, b in spans)


@given(moments)
def test_a_moved_shift_keeps_its_length_and_its_day(now: dt.datetime) -> None:
    shift = crew_shift(lay(now))
    day = dt.date(2026, 1, 5)
    assert [b - a for a, b in shift.spans(day, world.ZONE)] == [b - a for a, b in world.SHIFT.spans(day, world.ZONE)]


def test_the_ordinary_shift_is_kept_where_it_shows_enough() -> None:
    assert lay(MONDAY.replace(hour=11)) == 8 * 60
    assert lay(MONDAY.replace(hour=14)) == 8 * 60


def test_by_night_at_weekends_and_in_a_break_the_shift_is_moved() -> None:
    assert lay(MONDAY.replace(hour=3)) == 0
    assert lay(MONDAY.replace(hour=2)) == 45  # not 0: then it would be break
    assert lay(MONDAY.replace(hour=12, minute=42)) == 12 * 60 + 40 - 200  # on a round minute
    assert lay(MONDAY.replace(hour=23, minute=50)) == 24 * 60 - 1 - 540
    assert lay(MONDAY.replace(hour=11) - dt.timedelta(days=1)) == 11 * 60 - 200


def test_a_folder_remembers_its_moved_days_and_does_not_move_them_again(tmp_path: Path) -> None:
    folder = DemoFolder(tmp_path / "demo")
    folder.move_shift(dt.date(2026, 3, 2), 300)
    again = DemoFolder(tmp_path / "demo")
    again.move_shift(dt.date(2026, 3, 2), 400)
    assert again.starts == {dt.date(2026, 3, 2): 300}


def test_a_folder_with_something_else_in_it_is_left_alone(tmp_path: Path) -> None:
    (tmp_path / "thesis.txt").write_text("mine")
    with pytest.raises(ValueError, match="holds something that no demo made"):
        DemoFolder(tmp_path)
    assert [path.name for path in tmp_path.iterdir()] == ["thesis.txt"]


def test_a_damaged_folder_is_named(tmp_path: Path) -> None:
    DemoFolder(tmp_path / "demo")
    (tmp_path / "demo" / "demo.json").write_text("{")
    with pytest.raises(ValueError, match=r"demo\.json is damaged"):
        DemoFolder(tmp_path / "demo")


def test_a_first_start_lacks_eight_weeks_and_a_later_one_the_days_since() -> None:
    today = dt.date(2026, 3, 2)
    past = Past(Path("t"), "sqlite://", 0, today, {})
    assert len(past.days(None)) == 57
    yesterday_noon = round((MONDAY - dt.timedelta(hours=12)).timestamp() * SECOND)
    assert past.days(yesterday_noon) == [today - dt.timedelta(days=1), today]


def test_a_day_is_the_same_however_often_it_is_played() -> None:
    day = dt.date(2026, 3, 2)
    for starts in ({}, {day: 300}):
        first, again = trace_of("heron", day, starts), trace_of("heron", day, starts)
        assert first.same(again)
        assert site_date(first.first, world.ZONE) == day


@pytest.mark.real
def test_the_demo_fills_its_past_goes_on_live_stops_at_once_and_goes_on_from_there(tmp_path: Path) -> None:
    with Demo(tmp_path) as demo:
        wall = demo.wall()
        assert wall["title"] == "Tern Point Stageworks"
        assert all(saw["cuts"]["total"] > 0 for saw in wall["saws"])
        assert all(saw["utilisation"]["coverage"] > 0.9 for saw in wall["saws"])
        first = {saw["saw"]: saw["last_reading"] for saw in wall["saws"]}
        until(lambda: all(saw["last_reading"] > first[saw["saw"]] for saw in demo.wall()["saws"]))
        weeks = demo.get(f"/api/v1/saws/heron/utilisation?from={demo.days_ago(56)}&to={demo.days_ago(0)}&by=week")
        assert len(json.dumps(weeks)) > 500
        demo.stop()
        assert "playing eight weeks" in demo.told
    time.sleep(3)
    with Demo(tmp_path) as demo:
        assert "playing" not in demo.told
        saws = demo.wall()["saws"]
        # What the boxes measured meanwhile came in: no hole is left.
        assert all(saw["utilisation"]["coverage"] > 0.9 for saw in saws)
        assert all(saw["ribbon"][-1]["state"] != "OFFLINE" for saw in saws)
        demo.stop()


class Demo:
    """`kerfbook demo` as a process."""

    def __init__(self, folder: Path) -> None:
        self._folder = folder

    def __enter__(self) -> Self:
        code = "import sys; from dashboard.cli import main; sys.exit(main())"
        command = [sys.executable, "-c", code, "demo", "--folder", str(self._folder / "demo"), "--port", "0"]
        self._process = subprocess.Popen(command, stdout=subprocess.PIPE, stderr=subprocess.STDOUT, text=True)
        assert self._process.stdout is not None
        self.told = ""
        while "Ctrl-C stops" not in self.told:
            line = self._process.stdout.readline()
            assert line or self._process.poll() is None, self.told
            self.told += line
        self._address = re.search(r"start page +(\S+)/", self.told)[1]
        return self

    def __exit__(self, *_: object) -> None:
        self._process.kill()
        self._process.communicate()

    @staticmethod
    def days_ago(days: int) -> str:
        return (dt.datetime.now(dt.UTC) - dt.timedelta(days=days)).strftime("%Y-%m-%dT%H:%M:%SZ")

    def get(self, path: str) -> Any:
        with urllib.request.urlopen(self._address + path, timeout=10) as answer:
            return json.load(answer)

    def wall(self) -> Any:
        return self.get("/api/v1/wall")

    def stop(self) -> None:
        """Ctrl-C."""
        self._process.send_signal(signal.SIGINT)
        assert self._process.wait(60) == 0
