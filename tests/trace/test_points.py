"""Facts as points in a real InfluxDB: as the book has them, after any change, any repetition and any outage."""

from __future__ import annotations

import itertools

import pytest

from api.answers.points import MEASUREMENTS, points_of
from api.answers.states import Mode, Stretch
from api.desk import Desk
from api.fact_mirror import DAY, FactMirror
from api.site import SawTitle, Site
from collector.book import Book, NowEntry, SawCommit, SawEntry
from collector.book.marks import Marks
from collector.facts import SECOND, Cut, Direction, DoorVisit, Run, State
from collector.marks import Mark, MarkKind
from collector.trace.influx import InfluxTrace
from collector.trace.influx_points import InfluxPoints
from collector.trace.store import TraceError
from tests.tending.month import PLAN

pytestmark = pytest.mark.real
numbers = itertools.count()
MIDNIGHT = 1_772_409_600 * SECOND  # 2026-03-02T00:00:00Z
HOUR = 3600 * SECOND
SITE = Site("tern-point", "Tern Point", "Europe/Lisbon", (SawTitle("heron", "Heron"), SawTitle("plover", "P")), PLAN)


class Clock:
    def __init__(self) -> None:
        self.now = MIDNIGHT + 3 * DAY

    def time(self) -> float:
        return self.now / 1e6


class Place:
    """A book, a database, and the mirror between them."""

    def __init__(self, influx, book) -> None:
        self.book, self.clock = book, Clock()
        self.trace = InfluxTrace(influx.url, f"points{next(numbers)}/raw", days=0, minute_days=0)
        self.trace.prepare()
        self.points = InfluxPoints(self.trace.server)
        self.desk = Desk(SITE, book, self.trace, self.clock)
        self.mirror = FactMirror(self.desk, self.points)

    def again(self) -> FactMirror:
        """As after a restart."""
        self.mirror = FactMirror(self.desk, self.points)
        return self.mirror

    def held(self, saw="heron"):
        """All points of a saw."""
        found = self.points.read(saw, MIDNIGHT - DAY, MIDNIGHT + 9 * DAY, MEASUREMENTS)
        assert all(len(rows) == 1 for rows in found.values())
        return {key: rows[0] for key, rows in found.items()}

    def of(self, name, saw="heron"):
        return [columns for (measurement, _), columns in sorted(self.held(saw).items()) if measurement == name]


@pytest.fixture
def place(shared_influx, tmp_path):
    shared_influx.answers.clear()
    with Book(f"sqlite:///{tmp_path}/book.db") as book:
        book.open_saws([SawEntry("heron"), SawEntry("plover")])
        place = Place(shared_influx, book)
        yield place
        place.trace.close()


def cut(at, seconds=20, direction=Direction.VERTICAL, mean=6100):
    return Cut("heron", at, at + seconds * SECOND, direction, mean, 7400, 3200, lock_moved=False, station=None)


def work(day, cuts=3):
    begun = MIDNIGHT + day * DAY + 8 * HOUR
    facts = [Run("heron", begun, begun + HOUR, 41_200, None, cuts)]
    return facts + [cut(begun + (60 + 60 * n) * SECOND) for n in range(cuts)]


def commit(book, facts, start, end=None, until=None, state=State.STANDBY):
    until = until or facts[-1].end
    now = NowEntry("heron", until, state, until, 0, True, None, True, 0)
    book.commit([SawCommit("heron", start, end, facts, now=now)])


def test_cuts_runs_and_states_are_there_with_their_values(place):
    facts = work(0)
    commit(place.book, facts, MIDNIGHT, until=MIDNIGHT + 10 * HOUR)
    place.mirror.round()
    assert (
        place.of("cut")
        == [
            {
                "direction": "vertical",
                "seconds": 20,
                "mean_amps": 6.1,
                "peak_amps": 7.4,
                "idle_amps": 3.2,
                "lock_moved": False,
            }
        ]
        * 3
    )
    assert place.of("run") == [{"seconds": 3600, "cuts": 3, "inrush_amps": 41.2}]
    states = [(s["state"], s["seconds"]) for s in place.of("state")]
    begun = facts[0].start - MIDNIGHT
    assert states[0] == ("OFFLINE", begun / SECOND)
    assert states[1:5] == [("READY", 60), ("WORKING", 20), ("READY", 40), ("WORKING", 20)]
    assert sum(seconds for _, seconds in states) == 3 * 86_400
    sums = place.trace.server.ask('SELECT sum(seconds) FROM "facts"."state" WHERE state = \'WORKING\' GROUP BY saw')
    assert sums[0]["values"][0][1] == 60


def test_a_second_round_and_a_second_process_write_nothing(place):
    commit(place.book, work(0), MIDNIGHT, until=MIDNIGHT + 10 * HOUR)
    assert place.mirror.round()[0] > 8
    assert place.mirror.round() == (0, 0)
    assert place.again().round() == (0, 0)


def test_what_is_derived_again_is_corrected_and_what_is_withdrawn_goes(place):
    for day in (0, 1):
        commit(place.book, work(day), MIDNIGHT + day * DAY, until=MIDNIGHT + day * DAY + 10 * HOUR)
    place.mirror.round()
    other = place.held()
    begun = MIDNIGHT + 8 * HOUR
    changed = [
        Run("heron", begun, begun + HOUR, 41_200, None, 2),
        cut(begun + 60 * SECOND, direction=Direction.HORIZONTAL),
    ]
    changed.append(cut(begun + 300 * SECOND, 25))
    place.book.commit([SawCommit("heron", MIDNIGHT, MIDNIGHT + DAY, changed)])
    place.mirror.round()
    assert [(c["direction"], c["seconds"]) for c in place.of("cut")[:2]] == [("horizontal", 20), ("vertical", 25)]
    assert len(place.of("cut")) == 2 + 3
    assert place.of("run")[0]["cuts"] == 2
    kept = {key: columns for key, columns in place.held().items() if key[1] >= MIDNIGHT + DAY}
    assert kept == {key: columns for key, columns in other.items() if key[1] >= MIDNIGHT + DAY}
    assert place.again().round() == (0, 0)


def test_a_mark_takes_a_cut_away_and_taking_it_back_brings_it_again(place):
    facts = work(0)
    commit(place.book, facts, MIDNIGHT, until=MIDNIGHT + 10 * HOUR)
    place.mirror.round()
    before = place.held()
    marks = Marks(place.book)
    said = marks.add(Mark("heron", MarkKind.NO_CUT, facts[1].start, facts[1].end, "operator", MIDNIGHT + DAY))
    place.mirror.round()
    assert len(place.of("cut")) == 2
    marks.withdraw("heron", said.id, "operator", MIDNIGHT + DAY)
    place.mirror.round()
    assert place.held() == before


def test_what_is_going_on_is_written_when_it_is_over(place):
    place.clock.now = MIDNIGHT + 8 * HOUR + 90 * SECOND
    begun = MIDNIGHT + 8 * HOUR
    run = Run("heron", begun, None, 41_200, None, 1)
    open_cut = Cut("heron", begun + 80 * SECOND, None, Direction.UNKNOWN, 6100, 7400, 3200, False, None)
    commit(place.book, [run, cut(begun + 30 * SECOND), open_cut], MIDNIGHT, until=place.clock.now, state=State.WORKING)
    place.mirror.round()
    assert (len(place.of("cut")), len(place.of("run"))) == (1, 0)
    assert [s["state"] for s in place.of("state")] == ["OFFLINE", "READY", "WORKING", "READY"]
    place.clock.now += DAY
    closed = [Run("heron", begun, begun + HOUR, 41_200, None, 2), cut(begun + 30 * SECOND), cut(begun + 80 * SECOND)]
    commit(place.book, closed, MIDNIGHT, until=begun + 2 * HOUR)
    place.mirror.round()
    assert (len(place.of("cut")), len(place.of("run"))) == (2, 1)


def test_a_server_that_was_away_gets_what_it_missed(place, shared_influx):
    commit(place.book, work(0), MIDNIGHT, until=MIDNIGHT + 10 * HOUR)
    shared_influx.answers = [0, 400]
    with pytest.raises(TraceError):
        place.mirror.round()
    shared_influx.kill()
    commit(place.book, work(1), MIDNIGHT + DAY, until=MIDNIGHT + DAY + 10 * HOUR)
    with pytest.raises(TraceError):
        place.mirror.round()
    shared_influx.start()
    place.mirror.round()
    whole = place.held()
    assert len(place.of("cut")) == 6
    assert place.again().round() == (0, 0)
    assert place.held() == whole


def test_facts_that_change_while_a_day_is_written_are_not_forgotten(place, monkeypatch):
    commit(place.book, work(0), MIDNIGHT, until=MIDNIGHT + 10 * HOUR)
    write = place.points.write

    def meanwhile(saw, points) -> None:
        monkeypatch.setattr(place.points, "write", write)
        begun = MIDNIGHT + 8 * HOUR
        late = [Run("heron", begun, begun + HOUR, 41_200, None, 1), cut(begun + 60 * SECOND)]
        place.book.commit([SawCommit("heron", MIDNIGHT, MIDNIGHT + DAY, late)])
        write(saw, points)

    monkeypatch.setattr(place.points, "write", meanwhile)
    place.mirror.round()
    assert len(place.of("cut")) == 3
    place.mirror.round()
    assert len(place.of("cut")) == 1


def test_only_facts_that_are_over_and_have_a_measurement_become_points():
    visit = DoorVisit("heron", MIDNIGHT, MIDNIGHT + HOUR, False, False)
    stretch = Stretch(State.READY, Mode.MANUAL, MIDNIGHT, MIDNIGHT + HOUR)
    found = points_of([visit, Run("heron", MIDNIGHT, None, None, None, 0)], [stretch])
    assert [(point.measurement, dict(point.fields)) for point in found] == [
        ("state", {"state": "READY", "mode": "MANUAL", "seconds": 3600.0})
    ]
