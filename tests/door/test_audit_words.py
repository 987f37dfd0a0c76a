"""Every entry of the audit trail is a sentence, in the reader's language, that can be found again."""

from __future__ import annotations

import json
import re
from zoneinfo import ZoneInfo

import pytest

from api.answers.audit_words import ACTS, Names, device, sentence
from api.door.rights import Right
from api.http.gate import SAFE, gate_of
from api.tongues.manner import Manner
from api.tongues.say import speaking
from collector.book.audit import Entry, packed, unpacked
from collector.facts import SECOND, iso

NAMES = Names({2: "Rui"}, {"heron": "Heron"}, {"guides": "Oil the guides"}, ZoneInfo("Europe/Lisbon"))
API = "/api/v1"


def said(did: str, by: str = "Ana", /, **sent) -> str:
    return sentence(Entry(1, by, "owner", "session 3", did, packed(sent)), NAMES)


def test_every_act_that_changes_something_has_a_sentence(house):
    needs = gate_of(house.app).needs
    told = {re.sub(r"\{\w+\}", "*", act.did) for act in ACTS}
    acts = {
        f"{method} {re.sub(r'<[^>]+>', '*', rule.rule)}"
        for rule in house.app.url_map.iter_rules()
        for method in rule.methods - SAFE
        if needs[rule.endpoint] is not Right.OPEN and rule.rule.startswith(API)
    }
    assert acts - told == set(), "add an act to api/answers/audit_words.py"
    assert {act for act in told if " /api" in act} - acts == set(), "there is no such address any more"


@pytest.mark.parametrize(
    ("words", "did", "sent"),
    [
        ("Ana gave Rui an account: operator.", f"POST {API}/people", {"role": "operator", "person": 2}),
        ("Ana made Rui owner. Ana set a new PIN for Rui.", f"PATCH {API}/people/2", {"role": "owner", "pin": "•••"}),
        ("Ana shut Rui out.", f"PATCH {API}/people/2", {"active": False}),
        ("Ana shut Rui out.", "people out", {"person": 2}),
        ("Ana ended the phone “blue” of Rui.", f"DELETE {API}/badges/7", {"kind": "phone", "title": "blue", "person": 2}),
        ("Ana ended what let somebody in, number 7.", f"DELETE {API}/badges/7", {}),
        ("Ana let a program in: “meter”. It may: see the wall, read all.", f"POST {API}/badges",
         {"kind": "token", "title": "meter", "rights": ["see", "read"]}),
        ("Ana said that the blade TP-02 went onto Heron on Mon 2 Mar 09:30. The one that came out is to be sharpened.",
         f"POST {API}/saws/heron/blade/said",
         {"kind": "change", "tag": "TP-02", "fate": "sharpen", "at": "2026-03-02T09:30:00Z"}),
        ("Ana sent the blade TP-02 to the sharpener. It corrects an earlier entry.", f"POST {API}/blades/TP-02/events",
         {"kind": "sent", "corrects": 4}),
        ("Ana said that “Oil the guides” is done on Heron, due Mon 2 Mar.", f"POST {API}/maintenance/ticks",
         {"task": "guides", "saw": "heron", "occurrence": "2026-03-02"}),
        ("Ana reported a fault at Heron: extraction or dust.", f"POST {API}/saws/heron/faults", {"what": "dust"}),
        ("Ana acknowledged the alert “Heron: sensor box silent”.", f"POST {API}/alerts/4/acknowledgement",
         {"alert": "box-silent", "saw": "heron"}),
        ("Ana drew a cut that was missed at Heron on Mon 2 Mar 09:30.", f"POST {API}/saws/heron/marks",
         {"kind": "missed_cut", "start": "2026-03-02T09:30:00Z"}),
        ("Ana changed something: PUT /api/v9/x", "PUT /api/v9/x", {}),
    ],
)  # fmt: skip
def test_an_entry_says_who_did_what_to_whom(words, did, sent):
    assert said(did, **sent) == words


@pytest.mark.parametrize("act", ACTS, ids=lambda act: act.did)
def test_every_sentence_stands_however_little_was_kept_and_in_portuguese(act):
    did = re.sub(r"\{\w+\}", "7", act.did)
    english = said(did, kind="?", at=None)
    with speaking(Manner("pt", "pt_PT")):
        assert said(did, kind="?", at=None) not in {english, ""}
    assert said(did, "unknown")


@pytest.mark.parametrize(
    ("words", "through"),
    [
        ("own phone “Rui's”", "phone 7: Rui's"),
        ("shared phone “bench”", "session 9: shared phone 3: bench"),
        ("shared phone “bench”", "shared phone 3: bench"),
        ("browser at 192.0.2.7", "session 9: 192.0.2.7"),
        ("browser at 2001:db8::1", "session 9: 2001:db8::1"),
        ("browser at ::1", "address ::1"),
        ("browser, session 9", "session 9"),
        ("program “meter: hall”", "token 4: meter: hall"),
        ("command line", "command line"),
        ("something of tomorrow", "something of tomorrow"),
    ],
)
def test_where_it_came_from_is_said_in_words(words, through):
    assert device(through) == words


def test_the_trail_is_found_again_by_who_what_whom_and_when(house, owner):
    rui = house.signed_in(owner, "Rui", "maintenance")
    number = house.door.book.named("Rui").id
    rui.post(f"{API}/blades", json={"tag": "TP-01"})
    rui.post(f"{API}/saws/heron/faults", json={"what": "dust"})
    owner.patch(f"{API}/people/{number}", json={"role": "operator"})

    def found(**query) -> list[str]:
        return [e["said"] for e in owner.get(f"{API}/audit", query_string=query).json["entries"]]

    assert found(subject="blades") == ["Rui entered the blade TP-01."]
    assert found(about="tp-01") == ["Rui entered the blade TP-01."]
    assert found(about="Heron") == ["Rui reported a fault at Heron: extraction or dust."]
    assert found(subject="people", about="rui") == [
        "Ana made Rui operator.",
        "Ana gave Rui an account: maintenance lead.",
    ]
    assert found(who="Rui", subject="door") == ["Rui signed in."]
    assert found(about="100%") == []
    assert found(to=iso(house.shop.clock.now + SECOND)) == found() != []
    assert found(**{"from": iso(house.shop.clock.now + SECOND)}) == []


def test_what_cannot_be_kept_as_it_was_sent_is_no_error_and_leaves_no_torn_entry(house, owner):
    for value in ("1" + "0" * 30, '"\\ud800"', '"' + "long " * 400 + '"', "[" * 5000 + "]" * 5000, "1e999", "NaN"):
        answer = owner.post(
            f"{API}/saws/heron/faults", data=f'{{"what": "dust", "note": {value}}}', content_type="application/json"
        )
        assert answer.status_code < 500, value[:20]
    for entry in house.door.book.entries():
        assert not entry.detail or isinstance(json.loads(entry.detail), dict)
    assert len(packed({str(n): "x" * 1000 for n in range(1000)})) < 15_000
    assert unpacked('{"torn": "by an older vers') == {}


def test_no_secret_that_a_request_can_carry_comes_into_the_trail(house, owner):
    secrets = {"password": "three silver geese", "pin": "83920174", "old_password": "three dusty sparrows"}
    number = house.person(owner, "Rui", "operator", password=secrets["password"], pin=secrets["pin"])
    owner.patch(f"{API}/people/{number}", json={"pin": "61720935"})
    owner.put(
        f"{API}/me/secrets",
        json={"old_password": "three dusty sparrows", "password": "nine grey terns", "pin": "50718264"},
    )
    made = [house.badge(owner, "post")["secret"], house.badge(owner, "token", rights=["see"])["secret"],
            house.badge(owner, "phone", person=number)["secret"], house.badge(owner, "renewal", person=number)["secret"]]  # fmt: skip
    post = house.client()
    assert post.post(f"{API}/badges/shown", json={"secret": made[0]}).status_code == 200
    for pin in ("83920199", "61720935"):
        post.post(f"{API}/sign-in/pin", json={"person": number, "pin": pin})
    post.post(f"{API}/sign-in/new-password", json={"secret": made[3], "password": "four pale godwits"})
    typed = [*secrets.values(), "61720935", "83920199", "nine grey terns", "50718264", "four pale godwits", *made]
    everything = repr(house.door.book.entries(limit=1000)) + owner.get(f"{API}/audit?format=csv&limit=1000").text
    assert "shared phone" in everything
    for secret in typed:
        assert secret not in everything
