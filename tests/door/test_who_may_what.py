"""Every address stands in the table of needs, and every role gets exactly what its rights say."""

from __future__ import annotations

import re

import pytest

from api.door.rights import ROLES, Right
from api.http.gate import gate_of
from tests.door.conftest import PASSWORD

FILL = {"saw": "heron", "tag": "TP-01", "slug": "bad-period", "role": "owner", "secret": "none", "task": "rails"}


def rules(app):
    for rule in app.url_map.iter_rules():
        path = re.sub(r"<(?:\w+:)?(\w+)>", lambda m: FILL.get(m[1], "1"), rule.rule)
        for method in rule.methods - {"HEAD", "OPTIONS"}:
            yield rule.endpoint, method, path


def test_every_route_stands_in_the_table_and_nothing_else_does(house):
    needs = gate_of(house.app).needs
    routes = {rule.endpoint for rule in house.app.url_map.iter_rules()}
    assert routes - needs.keys() == set(), "add a row to api/door/rights.py or dashboard/pages/needs.py"
    assert needs.keys() - routes == set(), "the table names endpoints that do not exist any more"


def test_a_route_that_stands_in_no_table_is_closed_even_to_an_owner(house):
    house.app.add_url_rule("/forgotten", "forgotten", lambda: "open!")
    owner = house.owner()
    assert owner.get("/forgotten").status_code == 403
    assert b"table of needs" in owner.get("/forgotten").data


def test_a_stranger_gets_nowhere_but_to_the_door(house):
    needs = gate_of(house.app).needs
    stranger = house.client()
    for endpoint, method, path in rules(house.app):
        if needs[endpoint] is Right.OPEN:
            continue
        answer = stranger.open(path, method=method)
        if path.startswith("/api/") or path == "/metrics":
            assert (answer.status_code, answer.json["type"]) == (401, "/api/v1/problems/not-signed-in"), path
            assert answer.headers["WWW-Authenticate"].startswith("Bearer")
        elif method == "GET":
            assert answer.status_code == 303
            assert answer.location.startswith("/sign-in?next="), path
        else:
            assert answer.status_code == 403, path


def test_what_is_open_to_strangers_is_only_this(house):
    needs = gate_of(house.app).needs
    assert {endpoint for endpoint, need in needs.items() if need is Right.OPEN} == {
        *("api_signing.me", "api_signing.sign_in", "api_signing.sign_in_with_pin", "api_signing.sign_out"),
        *(
            "api_signing.first_owner",
            "api_signing.choose_password",
            "api_signing.show_badge",
            "api_health.health",
            "api_problems.problem_kind",
        ),
        *("openapi", "api_feeds.feed_calendar", "screens.static", "plotly.script", "door.sign_in", "door.enter"),
        *("tv.current", "security.contact", "speech.words", "speech.speak"),
    }


@pytest.mark.parametrize("role", [role for role in ROLES if role != "owner"])
def test_a_role_is_refused_whatever_it_has_no_right_to(house, owner, role):
    client = house.signed_in(owner, "Rui", role)
    needs = gate_of(house.app).needs
    for endpoint, method, path in rules(house.app):
        if endpoint == "api_stream.stream" or needs[endpoint] is Right.OPEN:
            continue
        answer = client.open(path, method=method, json={} if method != "GET" else None)
        if path == "/" and role == "viewer":
            assert answer.location == "/tv", "a viewer has one page, and is led to it"
            continue
        closed = answer.status_code == 403 and (b"no right to" in answer.data or b"Not for this account" in answer.data)
        assert closed == (needs[endpoint] not in ROLES[role]), (role, method, path, answer.status_code)


def test_rights_only_grow_from_viewer_to_owner():
    assert ROLES["viewer"] < ROLES["operator"] < ROLES["maintenance"] < ROLES["owner"]
    assert ROLES["operator"] < ROLES["installer"] < ROLES["owner"]
    assert set(ROLES["owner"]) == set(Right)


def test_what_is_said_is_kept_under_the_one_who_is_signed_in_whatever_the_request_says(house, owner):
    rui = house.signed_in(owner, "Rui", "maintenance")
    made = rui.post("/api/v1/blades", json={"tag": "TP-01", "who": "Ana"})
    assert made.status_code == 201, made.json
    assert [said.who for said in house.door.book.entries(who="Rui", limit=1)] == ["Rui"]
    with house.shop.book.engine.connect() as connection:
        assert connection.exec_driver_sql("SELECT who FROM blade_sheet").scalars().all() == ["Rui"]


def test_a_viewer_sees_the_wall_and_no_names(house, owner):
    viewer = house.signed_in(owner, "Hall", "viewer")
    assert viewer.get("/api/v1/wall").status_code == 200
    assert viewer.get("/tv").status_code == 200
    assert viewer.get("/maintenance").status_code == 403
    assert viewer.get("/api/v1/maintenance").status_code == 403


def test_the_last_owner_cannot_be_shut_out_demoted_or_erased(house, owner):
    for change in ({"active": False}, {"role": "operator"}):
        assert owner.patch("/api/v1/people/1", json=change).status_code == 409
    assert owner.delete("/api/v1/people/1").status_code == 409
    house.person(owner, "Eva", "owner", password=PASSWORD)
    assert owner.patch("/api/v1/people/1", json={"role": "operator"}).status_code == 200
    assert owner.get("/api/v1/people").status_code == 403, "the session has the new role's rights at once"
