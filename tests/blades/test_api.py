"""Blades over HTTP: entering, changing, correcting, refusing; and what is answered."""

from __future__ import annotations

import csv
import io

import pytest

from api.answers.service_limits import GROUPS
from api.http.blade_fields import GroupName
from collector.book.entries import SawCommit
from collector.facts import SECOND, DoorVisit, State, iso
from tests.api.conftest import MINUTE, at, cut, run

TAGS = ["TP-01", "TP-03", "TP-05", "TP-07"]
VISITS = ["07:30:00", "08:00:00", "08:30:00"]


@pytest.fixture
def morning(empty_shop):
    """Ten cuts in each half hour of heron from 07:00 to 09:00, the door open for three minutes between them."""
    facts = []
    for half in range(4):
        begin = at("07:00:00") + half * 30 * MINUTE
        facts.append(run(begin + 4 * MINUTE, begin + 28 * MINUTE, 10))
        facts += [cut(begin + (5 + 2 * i) * MINUTE, begin + (5 + 2 * i) * MINUTE + 30 * SECOND) for i in range(10)]
    facts += [DoorVisit("heron", at(t), at(t) + 3 * MINUTE, current_seen=False, before_stop=False) for t in VISITS]
    facts.append(DoorVisit("heron", at("08:35:00"), at("08:35:20"), current_seen=False, before_stop=False))
    empty_shop.book.commit([SawCommit("heron", 0, None, facts)])
    empty_shop.say("heron", State.READY, at("09:00:00"), [run(at("08:59:00"), None)], since=at("08:59:00"))
    client = empty_shop.open().test_client()
    for tag in TAGS:
        client.post("/api/v1/blades", json={"tag": tag, "who": "maintenance lead", "limit_cuts": 100})
    return client


def say(client, key, kind="change", when="07:31:30", expect=201, **more):
    body = {"key": key, "kind": kind, "at": iso(at(when)), "who": "operator", **more}
    answer = client.post("/api/v1/saws/heron/blade/said", json=body)
    assert answer.status_code == expect, answer.json
    return answer.json


def shares(client):
    answer = client.get(f"/api/v1/saws/heron/blade/shares?from={iso(at('00:00:00'))}").json
    assert answer["total"] == 40
    return answer["blades"], answer["unattributed"]


def test_the_door_visits_long_enough_are_asked_about_newest_first(morning):
    waiting = morning.get("/api/v1/saws/heron/blade").json["waiting"]
    assert [w["start"] for w in waiting] == [iso(at(t)) for t in VISITS[::-1]]
    assert waiting[0]["at"] == iso(at("08:31:30"))


def test_a_day_of_answers_late_corrected_and_refused(morning):
    say(morning, "k0", when="06:00:00", tag="TP-01")
    assert shares(morning) == ({"TP-01": 40}, 0)
    wrong = say(morning, "k2", when="08:01:30", tag="TP-05", fate="sharpen")
    say(morning, "k3", kind="cleaned", when="08:31:30")
    say(morning, "k1", when="07:31:30", tag="TP-03", fate="keep")  # late
    assert shares(morning) == ({"TP-01": 10, "TP-03": 10, "TP-05": 20}, 0)
    say(morning, "k4", when="08:01:30", tag="TP-07", fate="sharpen", corrects=wrong["id"])
    assert shares(morning) == ({"TP-01": 10, "TP-03": 10, "TP-07": 20}, 0)
    page = morning.get("/api/v1/saws/heron/blade").json
    assert page["waiting"] == []
    assert (page["blade"]["tag"], page["blade"]["cuts"]) == ("TP-07", 20)
    places = {b["tag"]: b["place"] for b in morning.get("/api/v1/blades").json["blades"]}
    assert places == {"TP-01": "in_rack", "TP-03": "to_sharpen", "TP-05": "new", "TP-07": "on_saw"}


def test_delivered_twice_it_counts_once(morning):
    first = say(morning, "k1", tag="TP-03")
    assert say(morning, "k1", tag="TP-03", expect=200) == first
    assert len(morning.get("/api/v1/saws/heron/blade").json["said"]) == 1


def test_the_wall_shows_the_blade_and_its_cuts_as_soon_as_it_is_said(morning):
    assert morning.get("/api/v1/wall").json["saws"][0]["blade"] is None
    known = say(morning, "k1", when="08:01:30", tag="TP-03")
    entry = morning.get("/api/v1/wall").json["saws"]
    assert entry[0]["blade"] == {"tag": "TP-03", "cuts": 20, "limit": 100}
    assert entry[1]["blade"] is None
    say(morning, "k2", kind="withdrawn", when="08:01:30", corrects=known["id"])
    assert morning.get("/api/v1/wall").json["saws"][0]["blade"] is None


def test_a_blade_sent_away_leaves_the_wall(morning):
    say(morning, "k1", tag="TP-03")
    morning.post("/api/v1/blades/TP-03/events", json={"kind": "sent", "who": "maintenance lead"})
    assert morning.get("/api/v1/wall").json["saws"][0]["blade"] is None


def test_a_life_with_prices_is_in_the_ledger_and_in_the_cost(morning):
    sheet = {"who": "lead", "price": 90, "sharpenings_limit": 4, "tooth_form": "trapezoidal"}
    assert morning.put("/api/v1/blades/TP-01", json=sheet).status_code == 200
    say(morning, "k0", when="07:00:00", tag="TP-01")
    say(morning, "k1", when="08:01:30", tag="TP-03", fate="sharpen")
    for kind, when, more in (
        ("sent", "08:10:00", {}),
        ("returned", "08:40:00", {"price": 15.5, "note": "two teeth new"}),
    ):
        body = {"kind": kind, "at": iso(at(when)), "who": "lead", **more}
        assert morning.post("/api/v1/blades/TP-01/events", json=body).status_code == 201
    found = morning.get("/api/v1/blades/TP-01").json
    assert [m["what"] for m in found["moments"]] == ["returned", "sent", "out, sharpen", "in"]
    assert (found["place"], found["sharpenings"], found["use"]["cuts"], found["total"]["cuts"]) == ("in_rack", 1, 0, 20)
    assert found["total"] == {"cuts": 20, "minutes": 10.0, "metres": 120.0}
    assert found["cost"]["spent"] == 105.5
    assert found["cost"]["cost_per_metre"] == pytest.approx((90 + 4 * 15.5) / 5 / 120, abs=1e-4)
    rows = list(csv.DictReader(io.StringIO(morning.get("/api/v1/blade-ledger", headers={"Accept": "text/csv"}).text)))
    assert [(r["tag"], r["what"]) for r in rows][:2] == [("TP-01", "returned"), ("TP-01", "sent")]
    costs = morning.get("/api/v1/blade-costs").json
    assert costs["by_tooth_form"]["trapezoidal"]["spent"] == 105.5


def test_an_event_can_be_corrected_and_withdrawn(morning):
    say(morning, "k1", tag="TP-03")
    url = "/api/v1/blades/TP-03/events"
    morning.post(url, json={"kind": "scrapped", "at": iso(at("08:00:00")), "who": "lead"})
    (event,) = morning.get("/api/v1/blades/TP-03").json["events"]
    assert morning.post(url, json={"kind": "withdrawn", "who": "lead", "corrects": event["id"]}).status_code == 201
    assert morning.get("/api/v1/blades/TP-03").json["place"] == "on_saw"


@pytest.mark.parametrize(
    ("more", "status", "slug"),
    [
        ({"tag": "TP-99"}, 404, "unknown-blade"),
        ({"tag": "TP-03", "when": "23:00:00"}, 400, "bad-period"),
        ({"kind": "cleaned", "tag": "TP-03"}, 400, "bad-parameter"),
        ({"kind": "withdrawn"}, 400, "bad-parameter"),
        ({"tag": "TP-03", "corrects": 77}, 400, "bad-parameter"),
        ({"tag": "no tag"}, 400, "bad-parameter"),
        ({"tag": "TP-07"}, 409, "blade-contradiction"),
    ],
)
def test_what_cannot_be_is_refused_with_a_reason_and_leaves_nothing(morning, more, status, slug):
    morning.post("/api/v1/blades/TP-07/events", json={"kind": "scrapped", "at": iso(at("07:00:00")), "who": "lead"})
    answer = say(morning, "k", expect=status, **more)
    assert answer["type"].endswith(slug)
    assert answer["detail"]
    assert morning.get("/api/v1/saws/heron/blade").json["said"] == []


def test_a_blade_entered_by_mistake_goes_and_one_with_a_life_stays(morning):
    assert morning.delete("/api/v1/blades/TP-05?who=lead").status_code == 204
    assert morning.get("/api/v1/blades/TP-05").status_code == 404
    say(morning, "k1", tag="TP-03")
    assert morning.delete("/api/v1/blades/TP-03?who=lead").status_code == 409
    assert morning.post("/api/v1/blades", json={"tag": "TP-03", "who": "lead"}).status_code == 409


def test_a_blade_that_the_saw_turns_too_fast_for_is_warned_about(empty_shop):
    empty_shop.site.blades.spindle_rpm["heron"] = 5200
    try:
        client = empty_shop.open().test_client()
        client.post("/api/v1/blades", json={"tag": "TP-01", "who": "lead", "max_rpm": 4800, "diameter_mm": 300})
        (choice,) = client.get("/api/v1/saws/heron/blade").json["choices"]
        assert choice["warning"] == "marked for at most 4800 1/min; this saw turns 5200 1/min"
    finally:
        empty_shop.site.blades.spindle_rpm.clear()


def test_a_blade_learns_before_it_is_judged(morning):
    say(morning, "k0", when="06:00:00", tag="TP-01")
    wear = morning.get("/api/v1/blades/TP-01/wear").json
    assert (wear["learned"], wear["needed"], wear["heavier"], wear["points"]) == (40, 200, None, [])
    assert morning.get("/api/v1/blades/TP-01/wear?service=3").status_code == 404


def test_the_groups_that_can_be_sent_are_those_that_exist():
    assert set(GroupName.__args__) == set(GROUPS)


def test_a_blade_on_a_saw_of_known_speed_says_how_fast_its_teeth_are_and_how_far_the_work_goes_between_two(empty_shop):
    """By hand: π·0.3 m·5200/60 s = 81.7 m/s; 12 m/min·1000/(5200·72) = 0.032 mm."""
    client = empty_shop.open().test_client()
    client.post("/api/v1/blades", json={"tag": "TP-01", "who": "Ana", "diameter_mm": 300, "teeth": 72})
    empty_shop.site.blades.spindle_rpm["heron"] = 5200
    try:
        assert client.get("/api/v1/blades/TP-01").json["feed_per_tooth_mm"] is None
        at = iso(empty_shop.clock.now - SECOND)
        body = {"kind": "change", "at": at, "tag": "TP-01", "who": "Ana", "key": "went-in-key-0001"}
        assert client.post("/api/v1/saws/heron/blade/said", json=body).status_code == 201
        found = client.get("/api/v1/blades/TP-01").json
        assert (found["cutting_speed_m_s"], found["feed_per_tooth_mm"]) == (81.7, 0.032)
    finally:
        empty_shop.site.blades.spindle_rpm.clear()
