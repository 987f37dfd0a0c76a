"""The outsider's checklist against a server that runs: every operation of the API's own description, every page."""

from __future__ import annotations

import http.client
import json
import re
from typing import TYPE_CHECKING
from urllib.parse import urlsplit

import pytest

from api.door.rights import GRANTABLE, ROLES, Right
from api.http.gate import COOKIE, gate_of
from collector.facts import SECOND, iso
from dashboard.web import WebServer
from tests.door.conftest import PASSWORD, House
from tests.door.test_who_may_what import FILL, rules

if TYPE_CHECKING:
    from email.message import Message

FOREIGN = [{"Origin": "http://elsewhere.example"}, {"Origin": "null"}, {"Sec-Fetch-Site": "cross-site"}, {}]
"""What a page of another site, or no page at all, says of itself."""


class Served(House):
    """The application behind waitress, asked over sockets as strangers ask."""

    def __init__(self, shop, **options) -> None:
        super().__init__(shop)
        self.web = WebServer(self.app, "127.0.0.1", 0, **options)
        self.web.start()
        self.here = f"http://127.0.0.1:{self.web.port}"
        self.people = self.owner()
        self.needs = gate_of(self.app).needs

    def ask(self, method: str, path: str, body=None, **headers) -> tuple[int, Message, bytes]:
        line = http.client.HTTPConnection("127.0.0.1", self.web.port, timeout=30)
        sent = None if body is None else json.dumps(body)
        kind = {"Content-Type": "application/json"} if body is not None else {}
        line.request(method, path, sent, kind | {name.replace("_", "-"): value for name, value in headers.items()})
        answer = line.getresponse()
        event = answer.headers.get_content_type() == "text/event-stream"
        told = answer.status, answer.headers, b"" if event else answer.read()
        line.close()
        return told

    def signed_in_as(self, role: str, name: str) -> dict[str, str]:
        self.person(self.people, name, role, password=PASSWORD)
        status, headers, _ = self.ask("POST", "/api/v1/sign-in", {"name": name, "password": PASSWORD}, Origin=self.here)
        assert status == 200
        return {
            "Cookie": next(h for h in headers.get_all("Set-Cookie") if h.startswith(f"{COOKIE}=")).split(";")[0],
            "Origin": self.here,
        }

    def operations(self) -> list[tuple[str, str, Right]]:
        """Method, path with something in place of its parameters, and what it needs; as the description says."""
        _, _, text = self.ask("GET", "/api/v1/openapi.json")
        adapter = self.app.url_map.bind("localhost")
        found = []
        for template, item in json.loads(text)["paths"].items():
            path = re.sub(r"\{(\w+)\}", lambda m: FILL.get(m[1], "1"), template)
            for method in item:
                endpoint, _ = adapter.match(path, method.upper())
                found.append((method.upper(), path, self.needs[endpoint]))
        return found


@pytest.fixture
def served(empty_shop):
    served = Served(empty_shop)
    yield served
    served.web.stop()


def closed(status: int, text: bytes) -> bool:
    return status == 403 and json.loads(text)["type"] == "/api/v1/problems/not-allowed"


def test_the_description_names_every_route_of_the_api(served):
    described = {(method, path) for method, path, _ in served.operations()}
    routed = {(m, p) for e, m, p in rules(served.app) if p.startswith("/api/v1") and e not in {"openapi", "static"}}
    assert routed == {(m, p) for m, p in described if p.startswith("/api/v1")}
    assert len(described) > 60


def test_without_an_account_no_operation_answers(served):
    for method, path, need in served.operations():
        if need is not Right.OPEN:
            status, headers, text = served.ask(method, path, {} if method != "GET" else None, Origin=served.here)
            assert (status, json.loads(text)["type"]) == (401, "/api/v1/problems/not-signed-in"), (method, path)
            assert headers["WWW-Authenticate"].startswith("Bearer")
            assert "Set-Cookie" not in headers


def test_without_an_account_no_page_opens(served):
    for endpoint, method, path in rules(served.app):
        if served.needs[endpoint] is not Right.OPEN and method == "GET" and not path.startswith("/api/"):
            status, headers, _ = served.ask("GET", path)
            assert status == 303 or (path == "/metrics" and status == 401), path
            assert "Location" not in headers or urlsplit(headers["Location"]).netloc in {
                "",
                urlsplit(served.here).netloc,
            }


@pytest.mark.parametrize("role", ROLES)
def test_every_operation_is_closed_to_a_role_without_the_right_and_open_to_one_with_it(served, role):
    keys = served.signed_in_as(role, "Rui")
    for method, path, need in served.operations():
        if need is Right.OPEN or path in {"/api/v1/sign-out", "/api/v1/people/1"}:
            continue
        status, _, text = served.ask(method, path, {} if method != "GET" else None, **keys)
        assert closed(status, text) == (need not in ROLES[role]), (role, method, path, status, text)
        assert status < 500, (method, path, text)


@pytest.mark.parametrize("granted", GRANTABLE)
def test_every_operation_takes_of_a_program_only_what_its_token_says(served, granted):
    secret = served.badge(served.people, "token", rights=[granted])["secret"]
    for method, path, need in served.operations():
        if need is not Right.OPEN:
            status, _, text = served.ask(
                method, path, {} if method != "GET" else None, Authorization=f"Bearer {secret}"
            )
            assert closed(status, text) == (need is not granted), (method, path, status)


def test_no_operation_that_changes_something_obeys_a_page_of_another_site(served):
    """The owner's own browser sends the cookie along; nothing comes of it."""
    keys = {"Cookie": served.signed_in_as("owner", "Eva")["Cookie"]}
    before = len(served.door.book.people())
    for method, path, _ in served.operations():
        if method == "GET":
            continue
        for headers in FOREIGN:
            status, _, text = served.ask(method, path, {}, **keys, **headers)
            assert (status, json.loads(text)["type"]) == (403, "/api/v1/problems/foreign-request"), (method, path)
    assert len(served.door.book.people()) == before


def test_no_operation_takes_a_change_by_a_safe_method(served):
    keys = served.signed_in_as("owner", "Eva")
    before = [entry.id for entry in served.door.book.entries(limit=1000)]
    for method, path, _ in served.operations():
        if method in {"POST", "PUT", "PATCH", "DELETE"}:
            for safe in ("GET", "HEAD", "OPTIONS", "TRACE"):
                served.ask(safe, path, None, **keys, X_HTTP_Method_Override=method)
    assert [entry.id for entry in served.door.book.entries(limit=1000)] == before


def test_a_stolen_cookie_and_a_revoked_badge_open_no_operation_any_more(served):
    thief = served.signed_in_as("owner", "Eva")
    phone = served.badge(served.people, "token", rights=[str(r) for r in GRANTABLE])
    assert served.ask("GET", "/api/v1/people", **thief)[0] == 200
    assert served.ask("POST", "/api/v1/sign-out", {}, **thief)[0] == 204
    served.people.delete(f"/api/v1/badges/{phone['id']}")
    for keys in (thief, {"Authorization": f"Bearer {phone['secret']}"}):
        for method, path, need in served.operations():
            if need is not Right.OPEN:
                assert served.ask(method, path, {} if method != "GET" else None, **keys)[0] == 401, (method, path)


def test_a_form_sent_twice_is_one_entry(served):
    keys = served.signed_in_as("operator", "Rui")
    assert served.people.post("/api/v1/blades", json={"tag": "TP-01"}).status_code == 201
    said = {"key": "once", "kind": "change", "at": iso(served.shop.clock.now - 3600 * SECOND), "tag": "TP-01"}
    for _ in range(3):
        status, _, text = served.ask("POST", "/api/v1/saws/heron/blade/said", said, **keys)
        assert status < 300, text
    assert len(json.loads(served.ask("GET", "/api/v1/saws/heron/blade", **keys)[2])["said"]) == 1


@pytest.mark.parametrize(("proxy", "locked"), [(None, True), ("127.0.0.1", False)])
def test_only_a_proxy_that_is_named_is_believed_who_asks(empty_shop, proxy, locked):
    served = Served(empty_shop, proxy=proxy)
    served.person(served.people, "Rui", "operator", password=PASSWORD)
    wrong = {"name": "Rui", "password": "no no no no"}
    answers = [
        served.ask("POST", "/api/v1/sign-in", wrong, Origin=served.here, X_Forwarded_For=f"192.0.2.{n}")[0]
        for n in range(7)
    ]
    assert answers == [403] * 5 + [429 if locked else 403] * 2
    served.web.stop()


def test_what_goes_over_the_line_says_nothing_about_the_machine(served):
    for path in ("/api/v1/me", "/nothing", "/api/v1/nothing", "/sign-in"):
        _, headers, text = served.ask("GET", path)
        assert "Server" not in headers
        assert b"Traceback" not in text
        assert b"/work" not in text
    for odd in ("/static/../app.py", "/static/%2e%2e/app.py", "/.git/config", "/static/desk/"):
        assert served.ask("GET", odd)[0] in {303, 404}
