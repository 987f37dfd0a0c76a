"""Faults reported from the saw: kept once, told once, open until somebody has dealt with them."""

from __future__ import annotations

import pytest

from api.answers.faults import conditions, faults
from api.fault_watch import FaultWatch
from api.watch import Watch
from collector.book.alerts import AlertBook
from collector.book.entries import BookError
from collector.book.faults import FaultBook, FaultRow
from tests.tending import shop as tending_shop
from tests.tending.month import at as on
from tests.tending.shop import POLICY


def row(number: int, said: int, *, closes: int | None = None, saw: str = "heron", what: str = "cut") -> FaultRow:
    return FaultRow(saw, what, "burn marks", "operator", "operator", said, closes, None, number)


def test_a_fault_is_open_until_a_row_names_it() -> None:
    found = faults([row(1, 100), row(2, 200), row(3, 300, closes=1)])
    assert [(f.said.id, f.closed and f.closed.id) for f in found] == [(1, 3), (2, None)]


def test_conditions_know_nothing_that_was_said_later() -> None:
    rows = [row(1, 100), row(2, 300, closes=1), row(3, 500)]
    assert [(c.start, c.end) for c in conditions("heron", rows, 0, 250)] == [(100, None)]
    assert [(c.start, c.end) for c in conditions("heron", rows, 0, 400)] == [(100, 300)]
    assert [(c.start, c.end) for c in conditions("heron", rows, 350, 600)] == [(500, None)]
    assert list(conditions("plover", rows, 0, 600)) == []


REPORT = {"who": "operator", "role": "operator", "what": "cut", "note": "burn marks on the long side"}


class TestOverTheApi:
    def test_reported_listed_dealt_with(self, client):
        made = client.post("/api/v1/saws/heron/faults", json=REPORT)
        assert made.status_code == 200
        assert made.json["what_words"] == "the cut is not clean or not square"
        number = made.json["id"]
        assert [f["id"] for f in client.get("/api/v1/faults?saw=heron").json["faults"] if f["open"]] == [number]
        assert client.get("/api/v1/faults?saw=plover").json["faults"] == []
        done = {"who": "maintenance lead", "role": "maintenance", "note": "blade changed"}
        closed = client.post(f"/api/v1/faults/{number}/closing", json=done).json
        assert (closed["open"], closed["closed_by"], closed["closing_note"]) == (
            False,
            "maintenance lead",
            "blade changed",
        )

    def test_sent_twice_on_a_bad_line_it_is_one_fault(self, client):
        twice = [
            client.post("/api/v1/saws/heron/faults", json={**REPORT, "token": "0123456789"}).json for _ in range(2)
        ]
        assert twice[0] == twice[1]
        assert len(client.get("/api/v1/faults").json["faults"]) == 1

    def test_two_people_deal_with_it_and_the_first_stays_named(self, client):
        number = client.post("/api/v1/saws/heron/faults", json=REPORT).json["id"]
        for who in ("first", "second"):
            answer = client.post(f"/api/v1/faults/{number}/closing", json={"who": who, "role": "maintenance"})
            assert answer.json["closed_by"] == "first"

    @pytest.mark.parametrize(
        ("path", "body", "status"),
        [
            ("/api/v1/saws/osprey/faults", REPORT, 404),
            ("/api/v1/saws/heron/faults", {**REPORT, "what": "weather"}, 400),
            ("/api/v1/saws/heron/faults", {**REPORT, "who": ""}, 400),
            ("/api/v1/faults/77/closing", {"who": "a", "role": "owner"}, 404),
        ],
    )
    def test_what_cannot_be_is_refused_in_words(self, client, path, body, status):
        answer = client.post(path, json=body)
        assert answer.status_code == status
        assert answer.json["what_to_do"]

    def test_a_closing_row_is_no_fault_that_could_be_closed(self, client):
        number = client.post("/api/v1/saws/heron/faults", json=REPORT).json["id"]
        done = {"who": "a", "role": "owner"}
        client.post(f"/api/v1/faults/{number}/closing", json=done)
        assert client.post(f"/api/v1/faults/{number + 1}/closing", json=done).status_code == 404

    def test_what_the_phone_needs_comes_in_one_small_answer(self, client):
        client.post("/api/v1/saws/heron/faults", json=REPORT)
        answer = client.get("/api/v1/saws/heron/at-hand")
        assert answer.json["saw"]["title"] == "Heron"
        assert [f["note"] for f in answer.json["faults"]] == ["burn marks on the long side"]
        assert len(answer.data) < 20_000


def test_the_book_closes_no_fault_of_another_saw(tmp_path):
    shop = tending_shop.Shop(tmp_path)
    book = FaultBook(shop.book)
    number = book.add(row(0, 100))
    with pytest.raises(BookError, match=f"no fault {number} at plover"):
        book.add(row(0, 200, saw="plover", closes=number))
    shop.close()


def test_a_fault_is_told_at_once_and_over_when_it_is_dealt_with(tmp_path):
    shop = tending_shop.Shop(tmp_path)
    shop.watch = Watch(shop.tending, POLICY, shop.box, "http://saws.example/", ports=[FaultWatch(shop.book)])
    shop.look(on(2, "09:00"))
    book = FaultBook(shop.book)
    number = book.add(row(0, on(2, "09:10")))
    assert shop.look(on(2, "09:11")) == ["Heron: fault reported: cut"]
    body = shop.box.got[-1][2]
    assert "operator: burn marks" in body
    assert "/maintenance#faults" in body
    assert "isolate the saw and lock it off" in body
    book.add(row(0, on(2, "09:40"), closes=number))
    shop.look(on(2, "09:41"))
    (alert,) = AlertBook(shop.book).standing()
    assert (alert.raised_us, alert.returned_us) == (on(2, "09:10"), on(2, "09:40"))
    shop.close()
