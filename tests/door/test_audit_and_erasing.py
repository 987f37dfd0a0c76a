"""Every change leaves an entry in its own transaction; a person can be erased everywhere."""

from __future__ import annotations

import json

import pytest
from sqlalchemy import String, Text

from api.door.erase import NAMES
from collector.book import audit
from collector.book.audit import Entry, speaking
from collector.book.engine import writing
from collector.book.schema import metadata
from tests.door.conftest import PASSWORD


def test_a_change_and_its_entry_stand_or_fall_together(house):
    before = house.door.book.entries()
    entry = Entry(1, "Ana", "owner", "a test", "tried")

    def fail():
        with speaking(entry), writing(house.shop.book.engine) as connection:
            connection.execute(audit.audit.select())
            raise RuntimeError

    with pytest.raises(RuntimeError):
        fail()
    assert house.door.book.entries() == before
    with speaking(entry), writing(house.shop.book.engine):
        pass
    assert house.door.book.entries()[0].did == "tried"


def test_who_did_what_is_kept_without_secrets(house, owner):
    house.person(owner, "Rui", "operator", password="seven blue doors", pin="4711")
    newest = owner.get("/api/v1/audit?limit=1").json["entries"][0]
    assert (newest["who"], newest["role"], newest["did"]) == ("Ana", "owner", "POST /api/v1/people")
    assert json.loads(newest["detail"]) == {
        "name": "•••", "role": "operator", "password": "•••", "pin": "•••", "person": 2
    }  # fmt: skip
    assert newest["said"] == "Ana gave Rui an account: operator."
    everything = repr(house.door.book.entries(limit=1000))
    assert "seven blue doors" not in everything
    assert "4711" not in everything
    assert PASSWORD not in everything


def test_coming_in_failing_to_and_going_leave_entries(house, owner):
    rui = house.signed_in(owner, "Rui", "operator")
    house.sign_in(house.client(), "Rui", "wrong wrong wrong")
    rui.post("/api/v1/sign-out")
    did = [e.did for e in house.door.book.entries(who="Rui")]
    assert did == ["signed out", "was refused: password", "signed in"]


def test_reading_leaves_no_entry(house, owner):
    before = len(house.door.book.entries(limit=1000))
    for path in ("/", "/api/v1/wall", "/api/v1/people", "/api/v1/audit"):
        assert owner.get(path).status_code == 200
    assert len(house.door.book.entries(limit=1000)) == before


def test_the_trail_can_be_paged_and_taken_as_csv(house, owner):
    for n in range(3):
        house.person(owner, f"P{n}", "operator")
    first = owner.get("/api/v1/audit?limit=2").json
    second = owner.get(f"/api/v1/audit?limit=2&before={first['next']}").json
    assert first["entries"][-1]["id"] > second["entries"][0]["id"]
    assert owner.get("/api/v1/audit?format=csv").text.startswith("id,at,who,role,said,device,through,did,detail\r\n")


def test_an_erased_person_is_nowhere_in_the_book_any_more(house, owner):
    rui = house.signed_in(owner, "Ruiperez", "maintenance")
    assert rui.post("/api/v1/blades", json={"tag": "TP-01"}).status_code == 201
    assert rui.post("/api/v1/blades/TP-01/events", json={"kind": "sent"}).status_code in {201, 400}
    assert rui.put("/api/v1/maintenance/tasks/own", json={"title": "x", "steps": ["y"], "role": "operator", "minutes": 5,
                   "when": {"by": "calendar", "rule": "FREQ=DAILY"}}).status_code in {200, 400}  # fmt: skip
    number = next(p["id"] for p in owner.get("/api/v1/people").json["people"] if p["name"] == "Ruiperez")
    assert owner.delete(f"/api/v1/people/{number}").json["name"] == f"person {number}"
    assert rui.get("/api/v1/wall").status_code == 401
    with house.shop.book.engine.connect() as connection:
        for table in metadata.sorted_tables:
            assert "ruiperez" not in repr(connection.execute(table.select()).all()).lower(), table.name
        assert connection.exec_driver_sql("SELECT who FROM blade_sheet").scalar() == f"person {number}"


def test_a_name_that_was_changed_before_is_erased_as_well(house, owner):
    rui = house.signed_in(owner, "Ruiperez", "maintenance")
    assert rui.post("/api/v1/blades", json={"tag": "TP-01"}).status_code == 201
    number = house.door.book.named("Ruiperez").id
    assert owner.patch(f"/api/v1/people/{number}", json={"name": "Montalegre"}).status_code == 200
    assert house.door.book.entries(who="Montalegre"), "what was said goes with the name"
    owner.delete(f"/api/v1/people/{number}")
    with house.shop.book.engine.connect() as connection:
        everything = "".join(repr(connection.execute(t.select()).all()) for t in metadata.sorted_tables).lower()
    assert "ruiperez" not in everything
    assert "montalegre" not in everything


def test_names_in_titles_go_and_in_peoples_own_notes_are_counted(house, owner):
    number = house.person(owner, "Ruiperez", "operator")
    house.badge(owner, "phone", person=number)
    owner.post("/api/v1/badges", json={"kind": "post", "title": "shared by Ruiperez and Eva"})
    for note in ("ask ruiperez first", "Ruiperezes do not count", ""):
        assert owner.post("/api/v1/saws/heron/faults", json={"what": "dust", "note": note}).status_code < 300
    answer = owner.delete(f"/api/v1/people/{number}").json
    assert answer["mentions"] == 1
    with house.shop.book.engine.connect() as connection:
        titles = connection.exec_driver_sql("SELECT title FROM badge").scalars().all()
        details = connection.exec_driver_sql("SELECT detail FROM audit").scalars().all()
    assert f"shared by person {number} and Eva" in titles
    assert not [d for d in details if "shared by Ruiperez" in d]


def test_no_column_that_names_people_is_forgotten():
    texts = {c.name for t in metadata.sorted_tables for c in t.columns if isinstance(c.type, (String, Text))}
    people = {c for c in texts if c == "who" or c.endswith("_by") or "author" in c or c.startswith("said_by")}
    assert people == NAMES


def test_no_use_is_reckoned_of_a_person():
    """Utilisation is of saws: no table of facts has a column for people."""
    for name in ("run", "cut", "door_visit", "conflict", "gap", "now"):
        columns = {c.name for c in metadata.tables[name].columns}
        assert not columns & {*NAMES, "person_id", "operator"}, name
