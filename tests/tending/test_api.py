"""Maintenance, feeds and alerts over HTTP, on a real book."""

from __future__ import annotations

from datetime import date

import pytest
import vobject

from api.app import close_api, create_api
from api.door.guest import Visitors
from api.tongues.manner import Manner
from api.tongues.say import speaking
from collector.facts import iso
from tests.tending.month import at
from tests.tending.shop import SITE, NoTrace, Shop

ME = {"who": "Ana", "role": "operator"}


@pytest.fixture
def served(shop: Shop, tmp_path):
    """The API before the shop's book, on Tuesday 3 March at noon; tasks since Monday."""
    shop.tending.begin(at(2, "06:00"))
    shop.clock.now = at(3, "12:00")
    app = create_api(str(shop.book.engine.url), NoTrace(), SITE, clock=shop.clock, visitors=Visitors.LOCAL)
    shop.http = app.test_client()
    yield shop
    close_api(app)


def get(shop, path: str):
    answer = shop.http.get(f"/api/v1{path}")
    assert answer.status_code == 200, answer.json
    return answer.json


def tick(shop, **fields):
    body = ME | {"task": "clean-down", "saw": "heron", "occurrence": "2026-03-03"} | fields
    return shop.http.post("/api/v1/maintenance/ticks", json=body)


def test_at_a_glance(served) -> None:
    found = get(served, "/maintenance")
    assert {(w["task"], w["verdict"]) for w in found["waiting"] if w["saw"] == "heron"} == {
        ("clean-down", "due"),
        ("braking", "overdue"),
        ("grease", "due"),
        ("rails", "open"),
        ("safety-functions", "open"),
    }
    assert [(m["task"], m["saw"]) for m in found["missed"]] == [("clean-down", "heron"), ("clean-down", "plover")]
    assert found["waiting"][0]["verdict"] == "overdue"


def test_done(served) -> None:
    answer = tick(served, note="hose was blocked")
    assert answer.status_code == 201
    assert (answer.json["done"], answer.json["who"], answer.json["standing"]) == (iso(at(3, "12:00")), "Ana", True)
    found = get(served, "/maintenance")
    assert [(d["title"], d["who"], d["note"]) for d in found["done"]] == [
        ("Clean down, offcuts out", "Ana", "hose was blocked")
    ]


def test_done_yesterday_said_today_is_in_time(served) -> None:
    tick(served, occurrence="2026-03-02", done=iso(at(2, "16:50")))
    (row,) = get(served, "/maintenance/occurrences?from=2026-03-02&to=2026-03-02&saw=heron")["occurrences"][1:]
    assert (row["task"], row["verdict"]) == ("clean-down", "done")


def test_a_correction_keeps_both_in_the_history(served) -> None:
    number = tick(served).json["id"]
    answer = served.http.post(f"/api/v1/maintenance/ticks/{number}/corrections", json=ME | {"withdrawn": True})
    assert answer.status_code == 201
    history = get(served, "/maintenance/ticks?saw=heron")["ticks"]
    assert [(t["id"], t["withdrawn"], t["standing"]) for t in history] == [(2, True, False), (1, False, False)]
    again = served.http.post(f"/api/v1/maintenance/ticks/{number}/corrections", json=ME)
    assert (again.status_code, again.json["type"].rsplit("/")[-1]) == (409, "changed-meanwhile")


def test_sent_twice_on_a_bad_line_is_one_tick(served) -> None:
    assert tick(served, token="0123456789").json["id"] == tick(served, token="0123456789").json["id"]
    assert len(get(served, "/maintenance/ticks")["ticks"]) == 1


@pytest.mark.parametrize(
    ("fields", "word"),
    [
        ({"task": "polish"}, "no maintenance task called 'polish'"),
        ({"saw": "egret"}, "none of the saws"),
        ({"occurrence": "2026-03-07x"}, "not due at Heron"),
        ({"occurrence": "9999-12-31"}, "not due at Heron"),
        ({"done": "2026-03-03T12:05:00Z"}, "lies ahead"),
        ({"who": "  "}, "who"),
        ({"role": "king"}, "role"),
    ],
)
def test_a_tick_that_cannot_be_says_what_is_wrong(served, fields, word) -> None:
    answer = tick(served, **fields)
    assert answer.status_code in {400, 404}
    assert word in answer.json["detail"]


def test_an_edited_task_is_due_as_edited_from_today_on(served) -> None:
    (before,) = (t for t in get(served, "/maintenance")["tasks"] if t["name"] == "grease")
    body = {k: v for k, v in before.items() if k not in {"name", "when_words"}} | {"who": "Rui"}
    body["when"] = {"by": "calendar", "rule": "FREQ=WEEKLY;BYDAY=TH"}
    answer = served.http.put("/api/v1/maintenance/tasks/grease", json=body)
    assert (answer.status_code, answer.json["when_words"]) == (200, "every Thursday")
    rows = get(served, "/maintenance/occurrences?from=2026-03-01&to=2026-03-14&saw=heron")["occurrences"]
    assert [r["day"] for r in rows if r["task"] == "grease"] == ["2026-03-05", "2026-03-12"]
    bad = served.http.put("/api/v1/maintenance/tasks/grease", json=body | {"when": {"by": "calendar", "rule": "soon"}})
    assert (bad.status_code, bad.json["title"]) == (400, "The maintenance task cannot be as it was sent.")


def test_the_record_as_csv(served) -> None:
    answer = served.http.get("/api/v1/maintenance/occurrences?from=2026-03-02&to=2026-03-03&format=csv")
    head, *rows = answer.text.splitlines()
    assert head.startswith("task,title,saw,occurrence,day,verdict")
    assert any(row.startswith("clean-down,") and ",missed," in row for row in rows)


def test_the_year_of_a_saw(served) -> None:
    found = get(served, "/saws/heron/maintenance/year?year=2026")
    of = {d["day"]: d["verdict"] for d in found["days"]}
    assert (of["2026-03-02"], of["2026-03-03"], of["2026-03-19"]) == ("missed", "due", "shut")
    assert found["total"]["due"] == 2  # clean-down and braking of Monday


class TestFeed:
    def paths(self, shop) -> dict[str, str]:
        return {f["role"]: f["path"] for f in get(shop, "/feeds")["feeds"]}

    def test_a_calendar_program_reads_it(self, served) -> None:
        """Read with vobject, which shares no code with the library that writes it."""
        tick(served)
        answer = served.http.get(self.paths(served)["operator"])
        assert answer.mimetype == "text/calendar"
        calendar = vobject.readOne(answer.text)
        events = {(e.summary.value, e.dtstart.value): e for e in calendar.vevent_list}
        assert ("✓ Heron: Clean down, offcuts out", date(2026, 3, 3)) in events
        assert ("Plover: Clean down, offcuts out", date(2026, 3, 4)) in events
        event = events["Heron: Guide rails wiped with oil", date(2026, 3, 6)]
        assert event.dtend.value == date(2026, 3, 7)  # DTEND is not included: RFC 5545, 3.6.1
        assert "1. Wipe dust and resin off the guide rails." in event.description.value
        assert not any("grease" in summary.lower() for summary, _ in events), "another role's"
        assert not any(day == date(2026, 3, 19) for _, day in events), "the shop is shut"

    def test_work_at_the_blade_carries_its_cautions(self, served) -> None:
        calendar = vobject.readOne(served.http.get(self.paths(served)["maintenance"]).text)
        (event, *_) = (e for e in calendar.vevent_list if "grease" in e.summary.value)
        assert "Isolate the saw and lock it off" in event.description.value

    def test_an_entry_keeps_its_uid_and_has_one_of_its_own(self, served) -> None:
        path = self.paths(served)["operator"]
        first = [e.uid.value for e in vobject.readOne(served.http.get(path).text).vevent_list]
        served.clock.now = at(4, "12:00")
        second = [e.uid.value for e in vobject.readOne(served.http.get(path).text).vevent_list]
        assert len(set(first)) == len(first)
        assert set(first) <= set(second)

    def test_a_renewed_address_makes_the_old_one_void(self, served) -> None:
        old = self.paths(served)["owner"]
        new = served.http.post("/api/v1/feeds/owner/renewal", json=ME).json["path"]
        assert served.http.get(old).status_code == 404
        assert served.http.get(new).status_code == 200

    def test_lines_are_folded_as_rfc_5545_section_3_1_wants(self, served) -> None:
        raw = served.http.get(self.paths(served)["operator"]).data
        assert max(len(line) for line in raw.split(b"\r\n")) <= 75


class TestAlerts:
    @pytest.fixture
    def silent(self, served):
        served.clock.now = at(3, "09:00")
        served.heard()
        served.look(at(3, "09:00"))
        served.look(at(3, "09:06"))
        return served

    def standing(self, shop) -> dict:
        return next(a for a in get(shop, "/alerts")["standing"] if a["kind"] == "box-silent")

    def test_what_stands(self, silent) -> None:
        alert = self.standing(silent)
        assert alert["headline"] == "Heron: sensor box silent"
        assert (alert["state"], alert["priority"], alert["count"]) == ("unacknowledged", "medium", 1)

    def test_acknowledged_and_over_it_leaves_and_its_history_stays(self, silent) -> None:
        number = self.standing(silent)["id"]
        answer = silent.http.post(f"/api/v1/alerts/{number}/acknowledgement", json=ME | {"note": "plug was out"})
        assert (answer.json["state"], answer.json["who"]) == ("acknowledged", "Ana")
        silent.silent(at(3, "09:00"), at(3, "09:20"))
        for minute in range(0, 60, 5):
            silent.heard(at(3, "09:20") + minute * 60_000_000)
        silent.look(at(3, "10:15"))
        found = get(silent, f"/alerts/{number}")
        assert found["state"] == "normal"
        assert [(e["event"], e["who"]) for e in found["events"]] == [
            ("raised", None),
            ("acknowledged", "Ana"),
            ("returned", None),
        ]

    def test_shelved_with_an_end(self, silent) -> None:
        number = self.standing(silent)["id"]
        path = f"/api/v1/alerts/{number}"
        past = silent.http.put(f"{path}/shelf", json=ME | {"until": iso(at(3, "08:00"))})
        assert (past.status_code, "ahead" in past.json["detail"]) == (409, True)
        far = silent.http.put(f"{path}/shelf", json=ME | {"until": "2027-01-01T00:00:00Z"})
        assert far.status_code == 400
        answer = silent.http.put(f"{path}/shelf", json=ME | {"until": iso(at(3, "11:00"))})
        assert (answer.json["state"], answer.json["shelved_until"]) == ("shelved", iso(at(3, "11:00")))
        assert silent.http.post(f"{path}/acknowledgement", json=ME).status_code == 409
        assert silent.http.post(f"{path}/unshelving", json=ME).json["state"] == "unacknowledged"

    def test_messages_say_whether_they_arrived(self, silent) -> None:
        assert [(m["channel"], bool(m["sent"])) for m in get(silent, "/alerts")["messages"]][:1] == [("tending", True)]

    def test_there_is_no_such_alert(self, served) -> None:
        assert served.http.get("/api/v1/alerts/99").status_code == 404


def test_the_wall_has_a_strip_of_counts(served) -> None:
    strip = get(served, "/wall")["saws"][0]["tending"]
    assert strip == {"tasks": 8, "overdue": 1, "due": 2, "missed": 1, "alerts": 0, "urgent": 0}
    tick(served)
    served.clock.now += 1_100_000
    assert get(served, "/wall")["saws"][0]["tending"]["due"] == 1


def test_a_starter_task_edited_in_portuguese_stays_ours_where_nobody_changed_it(served):
    with speaking(Manner("pt", "pt_PT")):
        (task,) = (t for t in get(served, "/maintenance")["tasks"] if t["name"] == "clean-down")
        assert task["title"] != "Clean down, offcuts out"
        steps = [*task["steps"][:-1], "Ver o tubo duas vezes."]
        body = {k: task[k] for k in ("title", "role", "saws", "at_blade", "check", "basis", "active", "when")}
        answer = served.http.put(
            "/api/v1/maintenance/tasks/clean-down", json={"who": "Ana", **body, "steps": steps, "minutes": 12}
        )
        assert answer.status_code == 200, answer.json
        assert (answer.json["title"], answer.json["steps"]) == (task["title"], steps)
    (task,) = (t for t in get(served, "/maintenance")["tasks"] if t["name"] == "clean-down")
    assert (task["title"], task["minutes"]) == ("Clean down, offcuts out", 12)
    assert task["basis"] == "common practice, no source"
    assert task["steps"][0] == "Switch off and wait for standstill."
    assert task["steps"][-1] == "Ver o tubo duas vezes."
