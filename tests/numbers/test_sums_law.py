"""Kept sums equal what is reckoned from the facts, whatever happened in between and whenever the keeper worked."""

from __future__ import annotations

import datetime as dt
import random
import shutil

import numpy as np
import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from api.answers.calendar import DAY, Shift, ShiftPlan, instant
from api.desk import Desk
from api.keeping import Keeper
from api.planning import keep_plan
from api.site import SawTitle, Site
from api.sums import Sums
from collector.book import Book, NowEntry, SawCommit, SawEntry
from collector.book.marks import Marks
from collector.detect.detector import Detector
from collector.facts import SECOND, Conflict, Cut, Direction, DoorVisit, Gap, Run, State
from collector.ingest import Ingest
from collector.marks import Mark, MarkKind
from collector.signals import merge
from collector.trace.sqlite import SqliteTrace
from simulator.shop import Saw, simulate_day

MINUTE = 60 * SECOND
FIRST = dt.date(2026, 3, 26)  # the clock goes forward in Lisbon on the 29th
PLANS = [
    ShiftPlan((
        (Shift.parse("06:00-14:00", ["09:00-09:30"]), Shift.parse("22:00-06:00", ["02:00-02:30"])),
    ) * 7),
    ShiftPlan.weekdays(Shift.parse("07:00-15:30", ["10:00-10:15"])),
    ShiftPlan(
        ((Shift.parse("08:00-17:00"),),) * 7, frozenset({FIRST}), {FIRST + DAY: (Shift.parse("05:00-23:00", ["12:00-13:00"]),)}
    ),
]  # fmt: skip


class Clock:
    now = 0

    def time(self) -> float:
        return self.now / 1e6


class History:
    """A book that lives through a random history, and what is asked of it after each event."""

    def __init__(self, folder, blank, seed: int) -> None:
        shutil.copy(blank, folder / "book.db")
        self.dice = random.Random(seed)
        self.book = Book(f"sqlite:///{folder / 'book.db'}")
        self.book.open_saws([SawEntry("heron")])
        self.clock = Clock()
        self.start_with(self.dice.choice(PLANS), self.dice.choice([0, 180, 3600]))
        self.zone = self.desk.zone
        self.at = instant(FIRST, 0, self.zone) + self.dice.randrange(20 * 60) * MINUTE
        self.clock.now = self.last = self.at
        self.ids: list[int] = []
        self.book.commit([SawCommit("heron", self.at, None, [], rests_from_us=self.at, rests=[self.at])])

    def start_with(self, plan: ShiftPlan, gap: float) -> None:
        site = Site("tern-point", "Tern Point", "Europe/Lisbon", (SawTitle("heron", "Heron"),), plan, gap)
        keep_plan(self.book, site, self.clock.now)
        self.desk = Desk(site, self.book, None, self.clock)
        self.sums = Sums(self.desk)
        self.keeper = Keeper(self.sums)

    def facts(self, start: int, end: int):
        """As a detector finds them: facts of one kind follow one another."""
        d, out, t = self.dice, [], start
        while t < end:
            kind = d.choice(["run", "run", "run", "door", "gap", "rest"])
            length = d.choice([2, 20, 200]) * d.randrange(10, 60) * SECOND
            stop = min(t + length, end)
            if kind == "gap":
                out.append(Gap("heron", t, stop))
            elif kind == "door":
                out.append(DoorVisit("heron", t, stop, False, False))
            elif kind == "run":
                out.append(Run("heron", t, stop, 30_000, None, 0))
                c = t + d.randrange(1, 40) * SECOND
                while c < stop - 30 * SECOND and d.random() < 0.9:
                    e = min(c + d.randrange(2, 60) * SECOND, stop)
                    out.append(
                        Cut(
                            "heron",
                            c,
                            e,
                            d.choice(list(Direction)),
                            d.randrange(4000, 9000),
                            9000,
                            d.randrange(2000, 4000),
                            False,
                            None,
                        )
                    )
                    c = e + d.choice([5, 100, 170, 200, 1000]) * SECOND
                if d.random() < 0.1:
                    out.append(Conflict("heron", t, stop, "x"))
            t = stop + d.randrange(0, 30) * MINUTE // 3
        return out

    def commit(self, low, high, facts, newest) -> None:
        now = NowEntry("heron", newest, State.STANDBY, newest, 0, None, None, True, 0)
        self.book.commit([SawCommit("heron", low, high, facts, now=now)])

    def live(self) -> None:
        """The box delivers; sometimes what is going on at the end goes on."""
        end = self.at + self.dice.choice([1, 5, 12, 30]) * 3600 * SECOND
        low = min([self.last, *(f.start for f in self.book.detected("heron", self.last, self.at + 1))])
        facts = self.facts(low, self.last) if low < self.last else []
        facts += [Gap("heron", self.last, self.at)] if self.last < self.at else []
        facts += self.facts(self.at, end)
        if self.dice.random() < 0.3:
            facts.append(Run("heron", end, None, 30_000, None, 0))
        self.commit(low, None, facts, end)
        self.at = self.last = end
        self.clock.now = end + self.dice.choice([0, 4 * SECOND, 3600 * SECOND, 20 * 3600 * SECOND])
        self.at = max(self.at, self.clock.now)

    def past(self) -> tuple[int, int]:
        start = instant(FIRST, 0, self.zone)
        low = start + self.dice.randrange(max(1, (self.last - start) // MINUTE)) * MINUTE
        low = min([low, *(f.start for f in self.book.detected("heron", low, low + 1))])
        return low, min(self.last, low + self.dice.choice([1, 10, 120, 2000]) * MINUTE)

    def late(self) -> None:
        """Late readings, or a derivation with other settings: a stretch of the past has other facts."""
        low, high = self.past()
        latest = high
        while later := [f for f in self.book.detected("heron", latest, latest + 1) if f.start < latest]:
            if any(f.end is None for f in later):
                return
            latest = max(f.end for f in later)
        entry = SawCommit("heron", low, latest, self.facts(low, high))
        if self.dice.random() < 0.5:
            before = [f for f in self.book.detected("heron", low, latest) if low <= f.start < latest]
            self.book.commit_if_same(entry, before)
        else:
            self.book.commit([entry])

    def mark(self) -> None:
        cuts = [f for f in self.book.facts("heron", 0, 2**60, ["cut"]) if f.end is not None]
        if cuts and self.dice.random() < 0.6:
            cut = self.dice.choice(cuts)
            mark = Mark("heron", MarkKind.NO_CUT, cut.start, cut.end, "lead", self.clock.now)
        else:
            low, _ = self.past()
            mark = Mark(
                "heron",
                MarkKind.MISSED_CUT,
                low,
                low + self.dice.randrange(1, 800) * SECOND,
                "lead",
                self.clock.now,
                "",
                Direction.VERTICAL,
                6000,
                7000,
                3000,
            )
        self.ids.append(Marks(self.book).add(mark).id)

    def withdraw(self) -> None:
        if self.ids:
            Marks(self.book).withdraw("heron", self.dice.choice(self.ids), "lead", self.clock.now)

    def replan(self) -> None:
        self.start_with(self.dice.choice(PLANS), self.dice.choice([0, 180, 3600]))

    def check(self) -> None:
        days = [FIRST + i * DAY for i in range(-1, 9)]
        bounds = [instant(d, 0, self.zone) for d in days]
        extra = [self.dice.randrange(bounds[0], bounds[-1]) for _ in range(self.dice.choice([0, 0, 2]))]
        picked = self.dice.sample(bounds, self.dice.choice([2, 3, len(bounds)]))
        edges = np.array(sorted({*picked, *extra}), np.int64)
        assert self.sums.measures("heron", edges).tolist() == self.sums.measures("heron", edges, kept=False).tolist()
        first, last = sorted(self.dice.choices(days, k=2))
        assert self.sums.longest("heron", first, last) == self.sums.longest("heron", first, last, kept=False)
        assert self.sums.shifts("heron", first, last) == self.sums.shifts("heron", first, last, kept=False)


@pytest.fixture(scope="session")
def blank(tmp_path_factory):
    path = tmp_path_factory.mktemp("blank") / "book.db"
    Book(f"sqlite:///{path}").close()
    return path


EVENTS = st.lists(
    st.sampled_from(["live", "live", "late", "mark", "withdraw", "replan", "keep"]), min_size=4, max_size=14
)


@settings(
    max_examples=25, deadline=None, suppress_health_check=[HealthCheck.too_slow, HealthCheck.function_scoped_fixture]
)
@given(events=EVENTS, seed=st.integers(0, 10**6))
def test_kept_sums_are_the_direct_ones_through_any_history(tmp_path_factory, blank, events, seed):
    history = History(tmp_path_factory.mktemp("law"), blank, seed)
    try:
        for event in ["live", *events, "keep"]:
            if event == "keep":
                history.keeper.round()
            else:
                getattr(history, event)()
            history.check()
    finally:
        history.book.close()


def test_after_a_round_every_day_that_is_over_is_kept_and_a_commit_strikes_out_only_what_it_can_touch(tmp_path, blank):
    history = History(tmp_path, blank, 3)
    start = instant(FIRST, 0, history.zone)
    history.start_with(PLANS[1], 180)
    history.at = history.clock.now = start + 30 * 3600 * SECOND
    history.commit(
        start,
        None,
        [Run("heron", start + k * 7200 * SECOND, start + (k * 7200 + 600) * SECOND, 1, None, 0) for k in range(60)],
        start + 122 * 3600 * SECOND,
    )
    history.clock.now = start + 122 * 3600 * SECOND
    assert history.keeper.round() == 5
    assert history.keeper.round() == 0
    third = start + 2 * 86_400 * SECOND
    history.commit(third + 12 * 3600 * SECOND, third + 13 * 3600 * SECOND, [], start + 122 * 3600 * SECOND)
    assert history.keeper.round() == 1
    history.replan()
    history.book.close()


def test_a_night_in_which_a_saw_stands_is_one_stretch_also_past_midnight(tmp_path, blank):
    history = History(tmp_path, blank, 3)
    history.start_with(PLANS[0], 180)  # 06:00-14:00, and 22:00-06:00 with a break 02:00-02:30
    midnight = instant(FIRST + DAY, 0, history.zone)
    hour = 3600 * SECOND
    history.clock.now = midnight + 30 * hour
    runs = [(-24, -3), (-1.5, -1), (7, 30)]  # the motor stood from 23:00 on
    facts = [Run("heron", round(midnight + a * hour), round(midnight + b * hour), 1, None, 0) for a, b in runs]
    history.commit(midnight - 24 * hour, None, facts, history.clock.now)

    def night() -> list[tuple[float, float]]:
        found = history.sums.longest("heron", FIRST, FIRST + DAY)
        return [((s.start - midnight) / hour, (s.end - midnight) / hour) for s in found if s.why == "standing"]

    expected = [(-2, -1.5), (-1, 2), (2.5, 6), (6, 7)]  # 22:00-22:30, 23:00-02:00, 02:30-06:00; the next shift's 06:00
    assert [s for s in night() if s[0] >= -2] == expected
    assert history.keeper.round() > 0
    assert [s for s in night() if s[0] >= -2] == expected
    history.book.close()


def test_answers_are_held_for_a_day_and_those_for_one_who_asks_once_are_not(tmp_path, blank):
    history = History(tmp_path, blank, 4)
    history.start_with(PLANS[0], 180)
    start = instant(FIRST, 0, history.zone)
    hour = 3600 * SECOND
    history.commit(start, None, [Run("heron", start + hour, start + 9 * hour, 1, None, 0)], start + 10 * hour)
    history.clock.now = start + 10 * hour
    sums, edges = history.sums, np.array([start, start + 10 * hour], np.int64)
    nothing = sums._memory.size
    sums.measures("heron", edges, kept=False)
    least = sums._memory.size
    sums.measures("heron", edges)
    assert nothing <= least < sums._memory.size
    held = sums._memory.size
    history.clock.now = start + 25 * hour
    sums.measures("heron", edges, kept=False)
    assert sums._memory.size <= least < held
    history.book.close()


@pytest.mark.parametrize("seed", range(2))
def test_packs_that_come_late_through_the_collector_leave_no_sum_behind(tmp_path, blank, seed):
    """Two simulated days; an hour in the first night's neighbourhood comes a day late, and the keeper worked before."""
    dice = random.Random(seed)
    shutil.copy(blank, tmp_path / "book.db")
    book, trace, clock = Book(f"sqlite:///{tmp_path / 'book.db'}"), SqliteTrace(tmp_path / "trace.db"), Clock()
    book.open_saws([SawEntry("heron")])
    site = Site("tern-point", "Tern Point", "Europe/Lisbon", (SawTitle("heron", "Heron"),), PLANS[1], 180)
    sums = Sums(Desk(site, book, trace, clock))
    ingest = Ingest(trace, book, [SawEntry("heron")], None, lambda: clock.now, make=Detector)
    monday = dt.date(2026, 3, 2)
    days = [simulate_day(Saw("heron"), monday + i * DAY, 20 + seed).trace for i in range(2)]
    midnight = instant(monday + DAY, 0, sums.desk.zone)
    hole = midnight - dice.choice([15, 9, 4]) * 3600 * SECOND
    late = merge(days).between(hole, hole + 3600 * SECOND)
    held = [merge(days).between(0, hole), merge(days).between(hole + 3600 * SECOND, midnight + 9 * 3600 * SECOND)]
    edges = np.array([instant(monday + i * DAY, 0, sums.desk.zone) for i in range(3)], np.int64)
    try:
        for part in held:
            ingest.absorb("heron", part)
        clock.now = held[1].last
        assert Keeper(sums).round() == 1
        before = sums.measures("heron", edges)
        assert before.tolist() == sums.measures("heron", edges, kept=False).tolist()
        ingest.absorb("heron", late)
        after = sums.measures("heron", edges)
        assert after.tolist() == sums.measures("heron", edges, kept=False).tolist()
        assert after[0, 1] > before[0, 1], "the known time grew"
        assert Keeper(sums).round() == 1
        assert sums.measures("heron", edges).tolist() == after.tolist()
    finally:
        book.close()
        trace.close()
