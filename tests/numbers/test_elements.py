"""Planned time by what became of it: hand-worked, and as a partition on random histories against `portion`."""

from __future__ import annotations

import numpy as np
import portion
from hypothesis import given
from hypothesis import strategies as st

from api.answers.elements import Elements, Reason
from api.answers.energy import MEMORY, Supply
from api.answers.intervals import spans
from api.answers.measures import Measures, energy, longest, measures
from api.answers.states import Extent, activity
from collector.facts import SECOND, DoorVisit, Gap
from collector.outline import outline_of
from tests.api.conftest import MINUTE, at, cut, run
from tests.api.test_utilisation import histories

NO_LOADS = np.empty((0, 4), np.int64)
GAP = 180 * SECOND
ALL_DAY = Extent(at("00:00:00"), at("23:59:59"))


def acted(facts, extent=ALL_DAY):
    return activity(outline_of(facts), extent, extent.last)


def one(facts, start, end, loads=NO_LOADS, plan=None):
    plan = spans([(start, end)]) if plan is None else plan
    return Measures.of(measures(acted(facts), loads, plan, np.array([start, end]), GAP, end)[0])


MORNING = [
    run(at("08:00:00"), at("08:10:00")),
    cut(at("08:01:00"), at("08:02:00")),
    cut(at("08:04:00"), at("08:05:00")),
    DoorVisit("heron", at("08:20:00"), at("08:35:00"), False, False),
    Gap("heron", at("08:40:00"), at("08:50:00")),
]


def test_an_hour_worked_by_hand():
    # 08:00-09:00 planned. Cutting 1 + 1 min. Between the cuts 08:02-08:04 = 2 min < 3 min: handling. The motor runs
    # 10 min: 10 - 2 - 2 = 6 min idling. In use 10 min. Door 15 min, no data 10 min. Known 50 min; standing the rest:
    # 50 - 10 - 15 = 25 min.
    m = one(MORNING, at("08:00:00"), at("09:00:00"))
    minutes = {k: v / MINUTE for k, v in m.why_not.items()}
    assert (m.cutting / MINUTE, m.handling / MINUTE, m.in_use / MINUTE) == (2, 2, 10)
    assert minutes == {Reason.IDLING: 6, Reason.DOOR: 15, Reason.STANDING: 25, Reason.NO_DATA: 10}
    assert m.utilisation(0, 0).allocation_efficiency == 0.2  # 10 of 50 known minutes


def test_the_longest_stretches_of_the_hour_end_at_what_interrupts_them():
    days = np.array([at("00:00:00"), at("23:59:59")])
    found = longest(acted(MORNING), spans([(at("08:00:00"), at("09:00:00"))]), days, GAP, at("09:00:00"))
    standing = [(s.start, s.end) for s in found if s.why is Reason.STANDING]
    assert standing == [
        (at("08:10:00"), at("08:20:00")),
        (at("08:35:00"), at("08:40:00")),
        (at("08:50:00"), at("09:00:00")),
    ]


def as_set(rows):
    out = portion.empty()
    for a, b in rows.tolist():
        out |= portion.closedopen(a, b)
    return out


second = st.integers(0, 3_000)
pairs = st.lists(st.tuples(second, st.integers(1, 500)), max_size=4)


@given(histories(), pairs, pairs)
def test_every_moment_of_planned_time_falls_into_exactly_one_element(facts, plan, doors):
    facts += [DoorVisit("heron", a * SECOND, (a + n) * SECOND, False, False) for a, n in doors]
    act = acted(facts, Extent(0, 3_000 * SECOND))
    found = Elements(act, spans([(a * SECOND, (a + n) * SECOND) for a, n in plan]), GAP)
    why = {k: as_set(v) for k, v in found.why_not().items()}
    cutting, handling, used = as_set(found.cutting), as_set(found.handling), as_set(found.in_use)
    elements = [cutting, handling, *why.values()]
    union = portion.empty()
    for element in elements:
        assert (union & element).empty
        union |= element
    assert union == as_set(found.plan)
    assert used == cutting | handling | why[Reason.IDLING]
    known = as_set(act.known)
    assert why[Reason.NO_DATA] == as_set(found.plan) - known
    assert why[Reason.DOOR] == (as_set(found.plan) & known & as_set(act.doors)) - as_set(found.use)


def test_power_of_a_three_phase_motor_as_on_its_nameplate():
    # Worked: 4 kW shaft power at 86.6 % efficiency is 4.62 kW electrical; √3 · 400 V · 8.03 A · 0.83 = 4.62 kW.
    assert abs(Supply(400, 3, cutting_factor=0.83).kilowatts(8.03, cutting=True) - 4.62) < 0.01
    # √3 · 400 V · 3.2 A · 0.2 = 443 W idling; single phase: 230 V · 10 A · 0.9 = 2.07 kW.
    assert abs(Supply().kilowatts(3.2, cutting=False) - 0.4434) < 1e-3
    assert abs(Supply(230, 1, cutting_factor=0.9).kilowatts(10, cutting=True) - 2.07) < 1e-9


def test_energy_of_an_hour_worked_by_hand():
    # Two cuts of 60 s at 8.0 and 6.0 A, idle 3.0 A beside the first and 3.4 A beside the second. The motor runs ten
    # minutes. Idle: 08:00-08:01 none known, 08:02-08:04 = 120 s at 3.0 A, 08:05-08:10 = 300 s at 3.4 A: 1380 As over
    # 420 s, scaled to the 480 s of idling: 1577.14 As.
    # Cutting 840 As · √3 · 400 V · 0.8 / 3.6e6 = 0.12933 kWh; idling 1577.14 · √3 · 400 · 0.2 / 3.6e6 = 0.060705 kWh.
    loads = np.array(
        [(at("08:01:00"), at("08:02:00"), 8000, 3000), (at("08:04:00"), at("08:05:00"), 6000, 3400)], np.int64
    )
    m = one(MORNING, at("08:00:00"), at("09:00:00"), loads)
    estimate = energy(m, Supply())
    assert abs(estimate.cutting - 0.129327) < 1e-5
    assert abs(estimate.idle - 0.060703) < 1e-5


def test_idling_without_any_cut_beside_it_has_no_estimate():
    facts = [run(at("08:00:00"), at("09:00:00"))]
    loads = np.array([(at("08:00:00") - MEMORY, at("08:00:00") - MEMORY + 1, 8000, 3000)], np.int64)
    assert energy(one(facts, at("08:00:00"), at("09:00:00"), loads), Supply()).idle is None
    assert energy(one([], at("08:00:00"), at("09:00:00")), Supply()).idle == 0


@given(histories(), st.lists(second, min_size=2, max_size=8, unique=True).map(sorted), st.data())
def test_measures_of_parts_add_up(facts, points, data):
    cuts = [f for f in facts if f.kind == "cut"]
    loads = np.array(
        [(c.start, c.end, data.draw(st.integers(0, 9000)), data.draw(st.integers(0, 4000))) for c in cuts], np.int64
    )
    edges = np.array(points) * SECOND
    act, plan = acted(facts, Extent(0, 3_000 * SECOND)), spans([(100 * SECOND, 2_500 * SECOND)])
    rows = measures(act, loads.reshape(-1, 4), plan, edges, GAP, 2_000 * SECOND)
    whole = measures(act, loads.reshape(-1, 4), plan, edges[[0, -1]], GAP, 2_000 * SECOND)
    assert rows.sum(axis=0).tolist() == whole[0].tolist()
    assert (rows >= 0).all()
