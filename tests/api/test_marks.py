"""People's marks over HTTP: what they may say, and that it counts in every answer."""

from __future__ import annotations

import pytest

from tests.api.conftest import at

V1 = "/api/v1/saws/heron"
FIRST = {"start": "2026-03-02T07:01:00.000Z", "end": "2026-03-02T07:02:00.000Z"}
FREE = {"start": "2026-03-02T08:52:00Z", "end": "2026-03-02T08:52:09.500Z"}


@pytest.fixture
def say(client):
    def say(kind: str, span: dict[str, str], **more: str):
        return client.post(f"{V1}/marks", json={"kind": kind, "who": "operator", **span, **more})

    return say


def entry(client):
    return client.get("/api/v1/wall").json["saws"][0]


def use(client):
    return client.get(f"{V1}/utilisation").json["total"]


def test_a_cut_marked_as_none_counts_nowhere(client, say):
    before, used = entry(client), use(client)
    said = say("no_cut", FIRST)
    assert said.status_code == 201
    assert said.json["cut"]["start"] == FIRST["start"]
    after = entry(client)
    assert after["cuts"]["vertical"] == before["cuts"]["vertical"] - 1
    assert after["cuts"]["total"] == before["cuts"]["total"] - 1
    assert FIRST["start"] not in [c["start"] for c in client.get(f"{V1}/cuts").json["cuts"]]
    assert FIRST["start"] not in [c["start"] for c in client.get(f"{V1}/facts?kind=cut").json["facts"]]
    assert client.get(f"{V1}/runs").json["runs"][0]["cuts"] == 1
    assert use(client)["apt_seconds"] == used["apt_seconds"] - 60
    assert after["utilisation"]["apt_seconds"] == before["utilisation"]["apt_seconds"] - 60
    working = [s for s in client.get(f"{V1}/states").json["states"] if s["state"] == "WORKING"]
    assert FIRST["start"] not in [s["start"] for s in working]


def test_a_drawn_cut_counts_everywhere_with_the_direction_chosen(client, say):
    before, used = entry(client), use(client)
    said = say("missed_cut", FREE, direction="horizontal")
    assert said.status_code == 201
    after = entry(client)
    assert after["cuts"]["horizontal"] == before["cuts"]["horizontal"] + 1
    (drawn,) = [c for c in client.get(f"{V1}/cuts").json["cuts"] if c["start"] == "2026-03-02T08:52:00.000Z"]
    assert drawn["direction"] == "horizontal"
    assert drawn["mean_amps"] == pytest.approx(3.23, abs=0.01)  # what the trace holds there
    assert use(client)["apt_seconds"] == used["apt_seconds"] + 9.5
    assert client.get(f"{V1}/runs").json["runs"][1]["cuts"] == 2


def test_taking_it_back_restores_every_number_and_forgets_nothing(client, say):
    before = entry(client)
    mark = say("no_cut", FIRST).json["id"]
    back = client.delete(f"{V1}/marks/{mark}?who=owner")
    assert (back.status_code, back.json["withdrawn_by"], back.json["who"]) == (200, "owner", "operator")
    assert entry(client) == before
    assert client.get(f"{V1}/marks").json["marks"] == []
    (kept,) = client.get(f"{V1}/marks?withdrawn=yes").json["marks"]
    assert kept == back.json


def test_saying_it_again_on_a_bad_connection_changes_nothing(client, say):
    first = say("no_cut", FIRST, note="only sawdust")
    again = say("no_cut", FIRST, note="only sawdust")
    assert (first.status_code, again.status_code) == (201, 200)
    assert again.json == first.json


@pytest.mark.parametrize(
    ("kind", "span", "slug", "told"),
    [
        ("no_cut", {"start": "2026-03-02T07:10:00Z", "end": "2026-03-02T07:10:10Z"}, "no-cut-there", "at least half"),
        ("missed_cut", FIRST, "cut-there-already", "draw beside it"),
        (
            "missed_cut",
            {"start": "2026-03-02T07:10:00Z", "end": "2026-03-02T07:10:10Z"},
            "no-data-there",
            "no reading of the motor",
        ),
        ("missed_cut", {"start": FREE["end"], "end": FREE["start"]}, "bad-period", "ends before it starts"),
        (
            "missed_cut",
            {"start": "2026-03-02T08:51:00Z", "end": "2026-03-02T08:51:00.1Z"},
            "bad-period",
            "draw at least 0.2 s",
        ),
        ("no_cut", {"start": "2026-03-02T07:00:00Z", "end": "2026-03-02T08:00:00Z"}, "bad-period", "over 900 s"),
        (
            "missed_cut",
            {"start": "2026-03-02T08:59:59Z", "end": "2026-03-02T09:00:30Z"},
            "bad-period",
            "into the future",
        ),
    ],
)
def test_what_cannot_be_said_is_answered_with_what_is_wrong(say, kind, span, slug, told):
    answer = say(kind, span)
    assert answer.status_code in {400, 409}
    assert answer.json["type"].endswith(slug)
    assert told in answer.json["detail"]


def test_somebody_elses_nearly_same_words_are_told_apart(say):
    say("no_cut", FIRST)
    answer = say("no_cut", {**FIRST, "end": "2026-03-02T07:02:01Z"})
    assert (answer.status_code, answer.json["type"].rpartition("/")[2]) == (409, "already-said")


def test_a_drawn_cut_is_taken_back_not_marked(say):
    mark = say("missed_cut", FREE).json["id"]
    answer = say("no_cut", FREE)
    assert answer.json["detail"] == f"This cut was drawn by a person; take mark {mark} back instead."


def test_a_cut_marked_as_none_makes_room_for_a_better_one(client, say):
    """The running cut of 08:59 is not finished; the one of 07:04 has no trace: draw where the trace is."""
    say("missed_cut", FREE)
    assert say("missed_cut", {**FREE, "end": "2026-03-02T08:52:20Z"}).status_code == 409
    mark = client.get(f"{V1}/marks").json["marks"][0]["id"]
    client.delete(f"{V1}/marks/{mark}?who=operator")
    assert say("missed_cut", {**FREE, "end": "2026-03-02T08:52:20Z"}).status_code == 201


def test_a_form_of_a_strange_site_cannot_mark(client):
    """Without a preflight a browser sends only form types; those are refused."""
    body = '{"kind":"no_cut","who":"x","start":"2026-03-02T07:01:00Z","end":"2026-03-02T07:02:00Z"}'
    for kind in ("text/plain", "application/x-www-form-urlencoded"):
        assert client.post(f"{V1}/marks", data=body, content_type=kind).status_code == 400
    assert client.get(f"{V1}/marks").json["marks"] == []


def test_who_must_be_said(client):
    answer = client.post(f"{V1}/marks", json={"kind": "no_cut", "who": "  ", **FIRST})
    assert answer.status_code == 400
    assert "who" in answer.json["detail"]


def test_a_mark_that_is_not_there_is_not_found(client):
    answer = client.delete(f"{V1}/marks/77?who=owner")
    assert (answer.status_code, answer.json["detail"]) == (404, "heron has no mark 77.")


def test_the_score_counts_on_days_with_a_mark_alone(client, say, shop):
    assert client.get(f"{V1}/score").json["precision"] is None
    say("no_cut", FIRST)
    say("missed_cut", FREE)
    got = client.get(f"{V1}/score").json
    assert (got["right"], got["wrong"], got["missed"]) == (2, 1, 1)  # the running cut is one of the right ones
    assert got["precision"] == pytest.approx(2 / 3)
    assert got["recall"] == pytest.approx(2 / 3)
    assert got["days"] == ["2026-03-02"]
    shop.clock.now = at("09:00:04") + 86_400_000_000
    assert client.get(f"{V1}/score").json["days"] == []
