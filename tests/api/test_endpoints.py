"""What each address answers, with a real book and a real trace store behind it."""

from __future__ import annotations

import csv
import io
import itertools
import re

import pytest

from api.http import cuts, facts, health, refusals, runs, saws, trace, utilisation, wall
from collector.book.entries import NowEntry, SawCommit
from collector.facts import SECOND, State, iso
from collector.outline import outline_of
from collector.trace.thinning import Ages, Thinner
from tests.api.conftest import MORNING, Shop, at, cut

V1 = "/api/v1"


@pytest.fixture
def empty_shop(tmp_path, blank_book, book_url):
    """On both databases."""
    shop = Shop(tmp_path, blank_book) if book_url.startswith("sqlite") else Shop(tmp_path, url=book_url)
    yield shop
    shop.close()


def get(client, path, **query):
    response = client.get(V1 + path, query_string=query)
    assert response.status_code == 200, response.text
    return response.json


@pytest.mark.parametrize(
    ("path", "model"),
    [
        ("/saws", saws.SawList),
        ("/saws/heron", saws.SawNow),
        ("/saws/plover", saws.SawNow),
        ("/saws/heron/states", saws.StateList),
        ("/saws/heron/cuts", cuts.CutPage),
        ("/saws/heron/runs", runs.RunPage),
        ("/saws/heron/facts", facts.FactPage),
        ("/saws/heron/utilisation", utilisation.UtilisationAnswer),
        ("/saws/heron/trace", trace.TraceAnswer),
        ("/wall", wall.WallAnswer),
        ("/refusals", refusals.RefusalPage),
        ("/../../healthz", health.Health),
    ],
)
def test_an_answer_is_what_its_description_says(client, path, model):
    address = "/healthz" if "healthz" in path else V1 + path
    response = client.get(address)
    assert response.mimetype == "application/json"
    model.model_validate(response.json)


def test_a_saw_says_what_it_does_now(client):
    heron = get(client, "/saws/heron")
    assert heron == {
        "saw": "heron",
        "title": "Heron",
        "state": "WORKING",
        "mode": "MANUAL",
        "since": "2026-03-02T08:59:00.000Z",
        "last_reading": "2026-03-02T09:00:00.000Z",
        "age_seconds": 4.0,
        "late_seconds": 0.0,
        "amps": 6.2,
        "locked": None,
        "station": None,
        "door_closed": True,
    }
    assert get(client, "/saws")["saws"][0] == heron


def test_a_saw_never_heard_of_is_offline_and_nothing_else_is_known(client):
    plover = get(client, "/saws/plover")
    assert plover.pop("state") == "OFFLINE"
    assert (plover["since"], plover["last_reading"], plover["amps"]) == (None, None, None)


def test_a_saw_whose_newest_reading_is_16_seconds_old_is_offline_since_then(shop, client):
    shop.clock.now = at("09:00:16")
    heron = get(client, "/saws/heron")
    assert (heron["state"], heron["since"], heron["amps"]) == ("OFFLINE", "2026-03-02T09:00:00.000Z", None)
    wall = get(client, "/wall")["saws"][0]
    assert wall["state"] == "OFFLINE"
    assert wall["ribbon"][-1] == {
        "state": "OFFLINE",
        "start": iso(at("09:00:00")),
        "end": iso(at("09:00:16")),
    }


def test_the_wall_shows_today(client):
    found = get(client, "/wall")
    assert (found["day"], found["day_start"], found["day_end"]) == (
        "2026-03-02",
        iso(at("00:00:00")),
        iso(at("00:00:00") + 86_400 * SECOND),
    )
    assert [p["start"][11:16] for p in found["planned"]] == ["07:00", "10:15", "13:00"]
    heron, plover = found["saws"]
    assert heron["cuts"] == {"vertical": 1, "horizontal": 1, "unknown": 1, "total": 3}
    use = heron["utilisation"]
    # 1 800 s in use of 6 600 s planned and known; 600 s of 7 200 s unknown (arithmetic: test_utilisation)
    assert (use["allocation_efficiency"], use["coverage"]) == (
        round(1_800 / 6_600, 6),
        round(6_600 / 7_200, 6),
    )
    assert plover["ribbon"] == [{"state": "OFFLINE", "start": iso(at("00:00:00")), "end": iso(at("09:00:04"))}]
    assert plover["utilisation"]["coverage"] == 0


def test_the_ribbon_has_no_hole(client):
    ribbon = get(client, "/wall")["saws"][0]["ribbon"]
    assert (ribbon[0]["start"], ribbon[-1]["end"]) == (iso(at("00:00:00")), iso(at("09:00:04")))
    assert all(a["end"] == b["start"] and a["state"] != b["state"] for a, b in itertools.pairwise(ribbon))


def test_the_wall_follows_the_book_at_once(shop, client):
    assert get(client, "/wall")["saws"][1]["cuts"]["total"] == 0
    shop.say("plover", State.STANDBY, at("09:00:03"), [cut(at("09:00:03"), at("09:00:03") + SECOND, saw="plover")])
    assert get(client, "/wall")["saws"][1]["cuts"]["total"] == 1


def test_facts_derived_again_take_the_place_of_the_old_ones_on_the_wall(shop, client):
    assert get(client, "/wall")["saws"][0]["cuts"]["total"] == 3
    shop.book.commit([SawCommit("heron", at("07:00:00"), at("07:30:00"), [])])
    assert get(client, "/wall")["saws"][0]["cuts"]["total"] == 1


def test_a_new_day_begins_at_the_sites_midnight(shop, client):
    shop.clock.now = at("00:00:00") + 86_400 * SECOND
    found = get(client, "/wall")
    assert (found["day"], found["saws"][0]["cuts"]["total"]) == ("2026-03-03", 0)


def test_states_of_a_period(client):
    found = get(client, "/saws/heron/states", **{"from": "2026-03-02T07:00:30Z", "to": "2026-03-02T07:01:30Z"})
    assert found["states"] == [
        {
            "state": "READY",
            "mode": "MANUAL",
            "start": "2026-03-02T07:00:30.000Z",
            "end": "2026-03-02T07:01:00.000Z",
        },
        {
            "state": "WORKING",
            "mode": "MANUAL",
            "start": "2026-03-02T07:01:00.000Z",
            "end": "2026-03-02T07:01:30.000Z",
        },
    ]


def test_a_time_may_be_in_any_zone_and_its_plus_sign_unescaped(client):
    utc = get(client, "/saws/heron/states", **{"from": "2026-03-02T07:00:00Z", "to": "2026-03-02T08:00:00Z"})
    path = V1 + "/saws/heron/states?from=2026-03-02T08:00:00+01:00&to=2026-03-02t09:00:00.000%2B01:00"
    assert client.get(path).json == utc


def test_pages_follow_one_another_until_everything_was_given_once(shop, client):
    whole = get(client, "/saws/heron/facts")["facts"]
    assert len(whole) == len(MORNING)
    path, seen = V1 + "/saws/heron/facts?limit=2", []
    while path:
        response = client.get(path)
        seen += response.json["facts"]
        link = re.fullmatch(r'<(.*)>; rel="next"', response.headers.get("Link", ""))
        path = link and link[1]
        assert (response.json["next"] is None) == (path is None)
    assert seen == whole


def test_pages_of_a_year_are_read_piece_by_piece(shop, client):
    day = 86_400 * SECOND
    old = [cut(at("08:00:00") - d * day, at("08:00:30") - d * day) for d in range(300, 0, -1)]
    shop.book.commit([SawCommit("heron", at("00:00:00") - 400 * day, at("00:00:00"), old)])
    query = {"from": iso(at("00:00:00") - 400 * day), "limit": 250}
    first = get(client, "/saws/heron/cuts", **query)
    second = get(client, "/saws/heron/cuts", **query, cursor=first["next"])
    starts = [c["start"] for c in first["cuts"] + second["cuts"]]
    assert len(starts) == 303
    assert starts == sorted(set(starts))
    assert second["next"] is None


def test_facts_of_some_kinds(client):
    found = client.get(V1 + "/saws/heron/facts?kind=gap&kind=conflict").json["facts"]
    assert [f["kind"] for f in found] == ["conflict", "gap"]


def table(response):
    assert response.status_code == 200
    assert response.mimetype == "text/csv"
    return list(csv.DictReader(io.StringIO(response.text)))


@pytest.mark.parametrize("subject", ["cuts", "runs", "facts", "utilisation"])
def test_csv_holds_what_json_holds(client, subject):
    path = f"{V1}/saws/heron/{subject}"
    rows = table(client.get(path, headers={"Accept": "text/csv"}))
    assert rows == table(client.get(path + "?format=csv", headers={"Accept": "application/json"}))
    listed = client.get(path).json["buckets" if subject == "utilisation" else subject]
    assert len(rows) == len(listed)
    for row, entry in zip(rows, listed, strict=True):
        for key, value in entry.items():
            if key in row:
                written = "" if value is None else str(value).lower() if isinstance(value, bool) else str(value)
                assert row[key] == written


def test_utilisation_by_the_hour(client):
    found = get(client, "/saws/heron/utilisation", by="hour")
    by_hour = {b["start"][11:13]: b for b in found["buckets"]}
    assert by_hour["06"]["allocation_efficiency"] is None  # nothing planned
    assert by_hour["07"]["aubt_seconds"] == 1_200  # 07:00-07:20
    assert by_hour["08"]["pbt_seconds"] == 3_000  # an hour less the gap
    assert sum(b["aubt_seconds"] for b in found["buckets"]) == found["total"]["aubt_seconds"] == 1_800


def test_the_trace_in_few_points(client):
    query = {"from": "2026-03-02T08:50:00Z", "to": "2026-03-02T09:00:00Z", "points": 20}
    found = get(client, "/saws/heron/trace", **query)
    assert 2 <= len(found["motor"]) <= 20
    assert (min(p["low"] for p in found["motor"]), max(p["high"] for p in found["motor"])) == (3.2, 3.26)
    assert [(c["t"][11:19], c["on"]) for c in found["lock"]] == [("08:50:00", True), ("08:56:00", False)]
    assert found["station"] == [{"t": "2026-03-02T08:50:00.000Z", "station": 2}]


def test_of_a_day_that_has_aged_minutes_are_shown(shop, client):
    query = {"from": "2026-03-02T08:50:30Z", "to": "2026-03-02T09:00:00Z", "points": 400}
    before = get(client, "/saws/heron/trace", **query)
    assert before["readings_from"] is None
    Thinner(shop.trace, Ages(1), clock=lambda: shop.clock.time() * 1e6 + 3 * 86_400 * SECOND).round()
    found = get(client, "/saws/heron/trace", **query)
    assert found["readings_from"] == "2026-03-03T00:00:00.000Z"
    drawn = [p["t"][14:23] for p in found["motor"]]
    assert drawn[:2] == ["51:00.000", "51:59.999"]  # a step as long as the minute
    assert {t[:2] for t in drawn} == {f"{minute}" for minute in range(51, 60)}
    assert {(p["low"], p["high"]) for p in found["motor"]} == {(3.2, 3.26)}
    assert all(3.22 < p["mean"] < 3.24 for p in found["motor"])
    assert [c["on"] for c in found["lock"]] == [True, False]
    assert [c["t"][14:16] for c in found["lock"]] == ["55", "56"]


def test_refusals_newest_first_with_their_counts(client):
    first = get(client, "/refusals", limit=1)
    assert first["refusals"][0]["code"] == "unknown-saw"
    assert first["counts"] == [
        {"saw": None, "code": "unknown-saw", "count": 1},
        {"saw": "heron", "code": "not-json", "count": 1},
    ]
    second = get(client, "/refusals", limit=1, cursor=first["next"])
    assert (second["refusals"][0]["reason"], second["next"]) == ("The payload is no JSON.", None)


def test_an_answer_that_did_not_change_is_not_sent_again(client):
    path = V1 + "/saws/heron/cuts?from=2026-03-02T07:00:00Z&to=2026-03-02T08:00:00Z"
    tag = client.get(path).headers["ETag"]
    again = client.get(path, headers={"If-None-Match": tag})
    assert (again.status_code, again.data) == (304, b"")


def test_what_is_true_only_now_is_not_stored(client):
    for path in ("/wall", "/saws", "/saws/heron", "/refusals"):
        assert client.get(V1 + path).headers["Cache-Control"] == "no-store"


def test_the_first_reading_may_move_back_when_old_data_comes_late(shop, client):
    period = {"from": "2026-03-02T06:00:00Z", "to": "2026-03-02T07:00:00Z"}
    assert get(client, "/saws/heron/states", **period)["states"][0]["end"] == iso(at("06:50:00"))
    shop.book.commit([SawCommit("heron", at("06:00:00"), at("06:50:00"), [cut(at("06:20:00"), at("06:21:00"))])])
    shop.clock.now += 61 * SECOND
    assert get(client, "/saws/heron/states", **period)["states"][0]["end"] == iso(at("06:20:00"))


def test_before_any_data_everything_answers(empty_shop):
    client = empty_shop.open().test_client()
    for path in (
        "/saws",
        "/wall",
        "/refusals",
        *(f"/saws/heron{p}" for p in ("", "/states", "/cuts", "/runs", "/facts", "/utilisation", "/trace")),
    ):
        get(client, path)
    assert client.get("/healthz").json == {"status": "ok", "revision": 0, "newest_reading": None}


def test_the_box_whose_clock_is_ahead_is_not_of_negative_age(shop, client):
    shop.book.commit(
        [
            SawCommit(
                "plover",
                now=NowEntry("plover", at("09:01:00"), State.STANDBY, at("09:01:00"), 0, None, None, None),
            )
        ]
    )
    assert get(client, "/saws/plover")["age_seconds"] == 0
    assert get(client, "/wall")["saws"][1]["state"] == "STANDBY"


@pytest.mark.parametrize("start", ["06:00:00", "07:01:30", "07:50:30", "08:05:00", "08:59:30"])
@pytest.mark.parametrize("end", ["07:01:00", "07:44:00", "08:59:00", "23:00:00"])
def test_the_outline_of_a_period_is_that_of_its_facts(shop, start, end):
    facts = shop.book.facts("heron", at(start), at(end))
    ours = shop.book.outline("heron", at(start), at(end))
    assert sorted(ours.tolist()) == outline_of(facts).tolist()
    assert [r[:2] for r in ours.tolist()] == sorted(r[:2] for r in ours.tolist())
    assert len(shop.book.outline("egret", at(start), at(end))) == 0
