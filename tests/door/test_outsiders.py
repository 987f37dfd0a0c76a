"""The outsider's checklist: no account, a stolen cookie, a replayed form, a page of another site, guessing."""

from __future__ import annotations

import datetime as dt

import pytest

from api.door import secrets
from api.door.door import SESSION_IDLE, SESSION_LONGEST
from api.door.guest import Visitors
from api.http.gate import COOKIE
from collector.facts import SECOND
from dashboard.app import create_app
from tests.door.conftest import PASSWORD
from tests.door.test_who_may_what import rules


def cookie(client) -> str:
    return client.get_cookie(COOKIE).value


def with_cookie(house, value: str):
    thief = house.client()
    thief.set_cookie(COOKIE, value)
    return thief


def test_the_first_owner_needs_the_printed_code_and_it_is_good_once(house):
    client = house.client()
    code = house.door.new_first_code()
    body = {"name": "Mal", "password": PASSWORD}
    assert client.post("/api/v1/first-owner", json=body | {"code": "AAAA-BBBB-CCCC"}).status_code == 403
    assert client.post("/api/v1/first-owner", json=body | {"code": code.lower(), "name": "Ana"}).status_code == 200
    assert house.client().post("/api/v1/first-owner", json=body | {"code": code}).status_code == 403
    assert house.door.new_first_code() is None, "there is an owner"
    assert [p.name for p in house.door.book.people()] == ["Ana"]


def test_the_code_is_void_after_a_day(house):
    code = house.door.new_first_code()
    house.shop.clock.now += 86_400 * SECOND
    answer = house.client().post("/api/v1/first-owner", json={"code": code, "name": "Mal", "password": PASSWORD})
    assert answer.status_code == 403


def test_a_cookie_is_signed_http_only_and_same_site(house):
    answer = house.client().post(
        "/api/v1/first-owner", json={"code": house.door.new_first_code(), "name": "Ana", "password": PASSWORD}
    )
    headers = answer.headers.getlist("Set-Cookie")
    assert all("HttpOnly" in header and "SameSite=Lax" in header for header in headers)
    (header,) = [h for h in headers if h.startswith(f"{COOKIE}=")]
    value = header.split("=", 1)[1].split(";")[0]
    secret = value.rsplit(".", 1)[0]
    with house.shop.book.engine.connect() as connection:
        kept = connection.exec_driver_sql("SELECT digest FROM badge").scalars().all()
    assert secret not in kept
    assert kept == [secrets.digest(secret)]
    assert with_cookie(house, secret).get("/api/v1/wall").status_code == 401, "unsigned"
    assert with_cookie(house, value[:-2] + "xx").get("/api/v1/wall").status_code == 401, "signature changed"


def test_with_tls_the_cookie_is_secure_and_bound_to_the_host(empty_shop):
    app = create_app(
        empty_shop.site, empty_shop.url, empty_shop.trace, "x", clock=empty_shop.clock, address="https://saws.example/"
    )
    from api.app import close_api  # noqa: PLC0415
    from api.http.gate import gate_of  # noqa: PLC0415

    code = gate_of(app).door.new_first_code()
    answer = app.test_client().post("/api/v1/first-owner", json={"code": code, "name": "Ana", "password": PASSWORD})
    headers = answer.headers.getlist("Set-Cookie")
    assert {h.split("=")[0] for h in headers} == {"__Host-kerfbook", "__Host-kerfbook-known"}
    assert all("Secure" in header for header in headers)
    assert answer.headers["Strict-Transport-Security"].startswith("max-age=")
    close_api(app)


def test_a_stolen_cookie_is_worth_nothing_once_its_owner_signed_out(house, owner):
    thief = with_cookie(house, cookie(owner))
    assert thief.get("/api/v1/people").status_code == 200, "until then it opens"
    assert owner.post("/api/v1/sign-out").status_code == 204
    assert thief.get("/api/v1/people").status_code == 401


def test_a_stolen_cookie_is_worth_nothing_once_the_owner_ends_it_or_sets_a_new_password(house, owner):
    rui = house.signed_in(owner, "Rui", "operator")
    thief = with_cookie(house, cookie(rui))
    other = house.client()
    house.sign_in(other, "Rui")
    body = {"old_password": PASSWORD, "password": "four wet herons fly"}
    assert rui.put("/api/v1/me/secrets", json=body).status_code == 204
    assert other.get("/api/v1/alerts").status_code == 401, "all other sessions are out"
    assert rui.get("/api/v1/alerts").status_code == 200
    number = next(b["id"] for b in owner.get("/api/v1/badges").json["badges"] if b["person"] == "Rui")
    assert owner.delete(f"/api/v1/badges/{number}").status_code == 204
    assert rui.get("/api/v1/alerts").status_code == thief.get("/api/v1/alerts").status_code == 401


def test_a_new_password_takes_the_old_one(house, owner):
    body = {"old_password": "wrong wrong wrong", "password": "four wet herons fly"}
    assert owner.put("/api/v1/me/secrets", json=body).status_code == 403


def test_a_session_ends_by_itself_when_not_used_and_in_any_case(house, owner):
    house.shop.clock.now += SESSION_IDLE
    assert owner.get("/api/v1/people").status_code == 401
    house.sign_in(owner, "Ana")
    for _ in range(SESSION_LONGEST // (SESSION_IDLE // 2)):
        assert owner.get("/api/v1/people").status_code == 200
        house.shop.clock.now += SESSION_IDLE // 2
    assert owner.get("/api/v1/people").status_code == 401


@pytest.mark.parametrize(
    "headers",
    [
        {"Origin": "http://evil.example"},
        {"Origin": "null"},
        {"Origin": "http://localhost", "Sec-Fetch-Site": "cross-site"},
        {"Origin": "http://localhost:81"},
    ],
)
def test_a_form_of_another_site_changes_nothing(house, owner, headers):
    answer = owner.post("/api/v1/people", json={"name": "Mal", "role": "owner"}, headers=headers)
    assert (answer.status_code, answer.json["type"]) == (403, "/api/v1/problems/foreign-request")
    assert len(house.door.book.people()) == 1


def test_a_cookie_without_a_browser_changes_nothing(house, owner):
    bare = house.app.test_client()
    bare.set_cookie(COOKIE, cookie(owner))
    assert bare.post("/api/v1/people", json={"name": "Mal", "role": "owner"}).status_code == 403


def test_a_plain_form_is_not_understood_even_from_a_page_of_ours(house, owner):
    assert owner.post("/api/v1/people", data={"name": "Mal", "role": "owner"}).status_code == 400
    assert len(house.door.book.people()) == 1


def test_a_qr_code_pairs_one_phone_and_replayed_pairs_none(house, owner):
    rui = house.person(owner, "Rui", "operator")
    secret = house.badge(owner, "phone", person=rui)["secret"]
    phone, second = house.client(), house.client()
    assert phone.post("/api/v1/badges/shown", json={"secret": secret}).json["name"] == "Rui"
    assert second.post("/api/v1/badges/shown", json={"secret": secret}).status_code == 403
    assert phone.get("/api/v1/alerts").status_code == 200
    number = next(b["id"] for b in owner.get("/api/v1/badges").json["badges"] if b["kind"] == "phone")
    owner.delete(f"/api/v1/badges/{number}")
    assert phone.get("/api/v1/alerts").status_code == 401


def test_a_qr_code_is_void_after_a_quarter_of_an_hour(house, owner):
    secret = house.badge(owner, "post")["secret"]
    house.shop.clock.now += 15 * 60 * SECOND
    assert house.client().post("/api/v1/badges/shown", json={"secret": secret}).status_code == 403


def test_a_tv_sees_the_wall_by_its_link_until_the_link_is_ended(house, owner):
    link = house.badge(owner, "link")
    tv = house.client()
    assert tv.post("/api/v1/badges/shown", json={"secret": link["secret"]}).json["rights"] == ["open", "see"]
    assert tv.get("/tv").status_code == 200
    assert tv.get("/api/v1/alerts").status_code == 403
    assert tv.get("/").status_code == 303
    owner.delete(f"/api/v1/badges/{link['id']}")
    assert tv.get("/api/v1/wall").status_code == 401


def test_a_link_is_no_token_and_an_invitation_no_cookie(house, owner):
    for secret in (house.badge(owner, "link")["secret"], house.badge(owner, "post")["secret"]):
        bearer = {"Authorization": f"Bearer {secret}"}
        assert house.client().get("/api/v1/wall", headers=bearer).status_code == 401
        assert with_cookie(house, house.door.cookie(secret)).get("/api/v1/wall").status_code == 401


def test_a_program_gets_what_its_token_says_and_lets_nobody_in(house, owner):
    token = house.badge(owner, "token", rights=["see", "read"], days=30)
    bearer = {"Authorization": f"Bearer {token['secret']}"}
    program = house.app.test_client()
    assert program.get("/api/v1/alerts", headers=bearer).status_code == 200
    assert program.post("/api/v1/blades", json={"tag": "TP-09"}, headers=bearer).status_code == 403
    assert owner.post("/api/v1/badges", json={"kind": "token", "title": "x", "rights": ["own"]}).status_code == 400
    house.shop.clock.now += 30 * 86_400 * SECOND
    assert program.get("/api/v1/alerts", headers=bearer).status_code == 401


def test_guessing_passwords_is_slowed_down_and_the_right_one_does_not_help_then(house, owner):
    guesser = house.client()
    answers = [house.sign_in(guesser, "Ana", f"guess {n} guess").status_code for n in range(5)]
    assert answers == [403] * 5
    locked = house.sign_in(guesser, "ANA")
    assert locked.status_code == 429
    assert 0 < int(locked.headers["Retry-After"]) <= 60
    house.shop.clock.now += 61 * SECOND
    assert house.sign_in(guesser, "ana").status_code == 200


def test_a_guesser_cannot_easily_shut_the_owner_out(house, owner):
    guesser = house.client()
    guesser.environ_base["REMOTE_ADDR"] = "192.0.2.66"
    while house.sign_in(guesser, "Ana", "no no no no").status_code != 429:
        pass
    assert house.sign_in(house.client(), "Ana").status_code == 200


def test_signing_in_anew_ends_the_session_before(house, owner):
    thief = with_cookie(house, cookie(owner))
    before = cookie(owner)
    assert house.sign_in(owner, "Ana").status_code == 200
    assert cookie(owner) != before
    assert thief.get("/api/v1/people").status_code == 401
    assert owner.get("/api/v1/people").status_code == 200


def test_a_cookie_that_somebody_else_put_there_is_not_what_a_session_goes_by(house, owner):
    victim = with_cookie(house, cookie(house.signed_in(owner, "Mal", "viewer")))
    assert house.sign_in(victim, "Ana").json["name"] == "Ana"
    assert victim.get("/api/v1/people").status_code == 200


def test_guessing_from_everywhere_never_locks_the_browser_out_in_which_the_owner_was_before(house, owner):
    owner.post("/api/v1/sign-out")
    for n in range(70):
        guesser = house.client()
        guesser.environ_base["REMOTE_ADDR"] = f"192.0.2.{n}"
        last = house.sign_in(guesser, "Ana", "no no no no")
    assert last.status_code == 429
    stranger = house.client()
    stranger.environ_base["REMOTE_ADDR"] = "198.51.100.1"
    assert house.sign_in(stranger, "Ana").status_code == 429, "a browser never seen waits"
    assert house.sign_in(owner, "Ana").status_code == 200


def test_a_known_browser_guesses_no_more_often_than_others_and_only_for_its_person(house, owner):
    owner.post("/api/v1/sign-out")
    assert [house.sign_in(owner, "Ana", "no no no no").status_code for _ in range(6)] == [403] * 5 + [429]
    house.door.book.add_person("Eva", "owner", 1, password=secrets.hashed(PASSWORD))
    assert [house.sign_in(owner, "Eva", "no no no no").status_code for _ in range(6)] == [403] * 5 + [429]


def test_all_addresses_of_one_network_of_ipv6_count_as_one(house, owner):
    answers = []
    for n in range(6):
        guesser = house.client()
        guesser.environ_base["REMOTE_ADDR"] = f"2001:db8:1:2::{n}"
        answers.append(house.sign_in(guesser, "Ana", "no no no no").status_code)
    assert answers == [403] * 5 + [429]


def test_invented_names_and_addresses_fill_neither_the_book_nor_the_trail(house, owner, monkeypatch):
    monkeypatch.setattr("collector.book.attempts.KNOCKS_MOST", 40)
    monkeypatch.setattr("api.door.door.REFUSALS_KEPT", 10)
    monkeypatch.setattr("api.door.secrets.right", lambda kept, given: False)
    for n in range(60):
        guesser = house.client()
        guesser.environ_base["REMOTE_ADDR"] = f"192.0.{n}.1"
        assert house.sign_in(guesser, f"nobody {n}", "no no no no").status_code == 403
    with house.shop.book.engine.connect() as connection:
        assert connection.exec_driver_sql("SELECT count(*) FROM knock").scalar() <= 40
    house.door.tidy()
    refused = [e for e in house.door.book.entries(limit=1000) if e.did.startswith("was refused")]
    assert len(refused) == 10
    assert any(e.did == "became the first owner" for e in house.door.book.entries(limit=1000)), "the rest stays"


def test_the_trail_is_tidied_while_the_server_runs(house, owner):
    house.shop.clock.now += 731 * 86_400 * SECOND
    assert house.sign_in(owner, "Ana").status_code == 200
    house.shop.clock.now += 11 * 60 * SECOND * 10
    assert owner.get("/api/v1/people").status_code == 200
    assert [e.did for e in house.door.book.entries(limit=1000)] == ["signed in"], "two years are over"


def test_passwords_that_wait_too_long_for_their_turn_are_refused_for_now(house, owner, monkeypatch):
    monkeypatch.setattr(secrets, "LONGEST_WAIT", 0.01)
    with secrets._ONE_AT_A_TIME:
        busy = house.sign_in(house.client(), "Ana")
    assert (busy.status_code, busy.headers["Retry-After"]) == (429, "5")
    assert house.sign_in(house.client(), "Ana").status_code == 200


def test_a_forgotten_password_is_chosen_anew_by_a_code_that_works_once(house, owner):
    rui = house.signed_in(owner, "Rui", "operator")
    number = house.door.book.named("Rui").id
    code = owner.post("/api/v1/badges", json={"kind": "renewal", "title": "-", "person": number}).json
    assert code["path"] == f"/enter#new-password.{code['secret']}"
    new = "four wet herons fly"
    for secret in ("invented", house.badge(owner, "post")["secret"], house.badge(owner, "link")["secret"]):
        answer = house.client().post("/api/v1/sign-in/new-password", json={"secret": secret, "password": new})
        assert answer.status_code == 403
    assert house.client().post("/api/v1/badges/shown", json={"secret": code["secret"]}).status_code == 403
    bearer = {"Authorization": f"Bearer {code['secret']}"}
    assert house.client().get("/api/v1/wall", headers=bearer).status_code == 401, "it opens nothing by itself"
    body = {"secret": code["secret"], "password": "short"}
    assert house.client().post("/api/v1/sign-in/new-password", json=body).status_code == 400
    assert rui.get("/api/v1/alerts").status_code == 200, "until then nothing changes"
    browser = house.client()
    assert browser.post("/api/v1/sign-in/new-password", json=body | {"password": new}).json["name"] == "Rui"
    assert browser.get("/api/v1/alerts").status_code == 200
    assert rui.get("/api/v1/alerts").status_code == 401
    assert house.sign_in(house.client(), "Rui").status_code == 403
    assert house.client().post("/api/v1/sign-in/new-password", json=body | {"password": new}).status_code == 403
    assert new not in repr(house.door.book.entries(limit=100))


def test_a_code_for_a_new_password_is_void_after_a_day_and_when_its_person_is_shut_out(house, owner):
    rui = house.person(owner, "Rui", "operator", password=PASSWORD)
    codes = [house.badge(owner, "renewal", person=rui)["secret"] for _ in range(2)]
    owner.patch(f"/api/v1/people/{rui}", json={"active": False})
    owner.patch(f"/api/v1/people/{rui}", json={"active": True})
    bodies = [{"secret": code, "password": "four wet herons fly"} for code in codes]
    assert house.client().post("/api/v1/sign-in/new-password", json=bodies[0]).status_code == 403
    late = house.badge(owner, "renewal", person=rui)["secret"]
    house.shop.clock.now += 86_400 * SECOND
    answer = house.client().post("/api/v1/sign-in/new-password", json=bodies[1] | {"secret": late})
    assert answer.status_code == 403


def test_a_new_password_opens_what_guessers_had_locked(house, owner):
    rui = house.person(owner, "Rui", "operator", password=PASSWORD)
    for _ in range(6):
        locked = house.sign_in(house.client(), "Rui", "no no no no")
    assert locked.status_code == 429
    owner.patch(f"/api/v1/people/{rui}", json={"password": "four wet herons fly"})
    assert house.sign_in(house.client(), "Rui", "four wet herons fly").status_code == 200


def test_everybody_ends_their_own_lost_phone_and_nobody_elses(house, owner):
    rui = house.signed_in(owner, "Rui", "viewer")
    number = house.door.book.named("Rui").id
    phone = house.client()
    phone.post("/api/v1/badges/shown", json={"secret": house.badge(owner, "phone", person=number)["secret"]})
    held = rui.get("/api/v1/me/badges").json["badges"]
    assert [(b["kind"], b["mine"]) for b in held] == [("phone", False), ("session", True)]
    anas = next(b["id"] for b in owner.get("/api/v1/badges").json["badges"] if b["person"] == "Ana")
    assert rui.delete(f"/api/v1/me/badges/{anas}").status_code == 404
    assert owner.get("/api/v1/people").status_code == 200
    assert rui.delete(f"/api/v1/me/badges/{held[0]['id']}").status_code == 204
    assert phone.get("/api/v1/wall").status_code == 401


def test_a_viewer_can_set_a_password_of_their_own(house, owner):
    viewer = house.signed_in(owner, "Hall", "viewer")
    body = {"old_password": PASSWORD, "password": "four wet herons fly"}
    assert viewer.put("/api/v1/me/secrets", json=body).status_code == 204
    assert viewer.get("/account").status_code == 200


def test_a_page_left_open_on_a_shared_phone_does_not_keep_its_person_signed_in(house, owner):
    rui = house.person(owner, "Rui", "operator", pin="4711")
    phone = house.client()
    phone.post("/api/v1/badges/shown", json={"secret": house.badge(owner, "post")["secret"]})
    body = {"person": rui, "pin": "4711"}
    for work, there in ((lambda: phone.get("/api/v1/alerts"), 401), (lambda: phone.get("/"), 200)):
        phone.post("/api/v1/sign-in/pin", json=body)
        for _ in range(8):
            house.shop.clock.now += 2 * 60 * SECOND
            work()
        assert phone.get("/api/v1/alerts").status_code == there


def test_whoever_finds_a_weakness_is_told_where_to_report_it(empty_shop):
    """RFC 9116: Contact and Expires are there, Expires less than a year away, lines end with CRLF."""
    from api.app import close_api  # noqa: PLC0415

    contact, address = "mailto:owner@saws.example", "https://saws.example/"
    app = create_app(
        empty_shop.site, empty_shop.url, empty_shop.trace, "x", clock=empty_shop.clock, contact=contact, address=address
    )
    answer = app.test_client().get("/.well-known/security.txt")
    assert answer.content_type == "text/plain; charset=utf-8"
    fields = dict(line.split(": ", 1) for line in answer.text.removesuffix("\r\n").split("\r\n"))
    assert fields["Contact"] == contact
    assert fields["Canonical"] == "https://saws.example/.well-known/security.txt"
    ahead = dt.datetime.fromisoformat(fields["Expires"]).timestamp() - empty_shop.clock.time()
    assert 0 < ahead < 365 * 86_400
    close_api(app)


def test_codes_for_phones_hold_the_address_by_which_phones_reach_the_server(empty_shop):
    from api.app import close_api  # noqa: PLC0415

    app = create_app(
        empty_shop.site, empty_shop.url, empty_shop.trace, "x", clock=empty_shop.clock, visitors=Visitors.LOCAL,
        address="http://saws.example:8080/",
    )  # fmt: skip
    assert 'data-address="http://saws.example:8080/"' in app.test_client().get("/people").text
    close_api(app)


def test_without_a_contact_there_is_no_such_file(house):
    assert house.client().get("/.well-known/security.txt").status_code == 404


def test_an_unknown_name_and_a_wrong_password_look_alike(house, owner):
    client = house.client()
    unknown, wrong = house.sign_in(client, "Zoe", "no no no no"), house.sign_in(client, "Ana", "no no no no")
    assert (unknown.status_code, unknown.json) == (wrong.status_code, wrong.json)
    assert "Zoe" not in repr(house.door.book.entries()), "people type passwords there by mistake"


def test_a_pin_opens_only_on_a_paired_shared_phone_and_is_locked_after_five(house, owner):
    rui = house.person(owner, "Rui", "operator", pin="4711")
    body = {"person": rui, "pin": "4711"}
    assert house.client().post("/api/v1/sign-in/pin", json=body).status_code == 403
    phone = house.client()
    shown = phone.post("/api/v1/badges/shown", json={"secret": house.badge(owner, "post")["secret"]}).json
    assert shown["people"] == [{"id": rui, "name": "Rui"}]
    assert phone.post("/api/v1/sign-in/pin", json=body).json["name"] == "Rui"
    phone.post("/api/v1/sign-out")
    assert phone.get("/api/v1/me").json["kind"] == "post", "the phone stays paired"
    for _ in range(5):
        assert phone.post("/api/v1/sign-in/pin", json=body | {"pin": "1199"}).status_code == 403
    assert phone.post("/api/v1/sign-in/pin", json=body).status_code == 429


@pytest.mark.parametrize("password", ["short", "password1", "aaaaaaaaaaaa", "Ana's kerfbook", "x" * 129])
def test_a_weak_password_is_refused_with_the_reason(house, owner, password):
    body = {"name": "Rui", "role": "operator", "password": password}
    assert owner.post("/api/v1/people", json=body).json["type"] == "/api/v1/problems/weak-secret"


@pytest.mark.parametrize("pin", ["123", "1111", "1234", "9876", "12a4", "123456789"])
def test_a_weak_pin_is_refused(house, owner, pin):
    assert owner.post("/api/v1/people", json={"name": "Rui", "role": "operator", "pin": pin}).status_code == 400


def test_passwords_are_kept_salted_and_hard_to_try(house, owner):
    house.person(owner, "Rui", "operator", password=PASSWORD)
    kept = [p.password for p in house.door.book.people()]
    assert len(set(kept)) == 2, "the same password, two salts"
    assert all(k.startswith("scrypt:16384:8:5$") and PASSWORD not in k for k in kept)


def test_the_demo_lets_in_only_whoever_sits_at_its_computer(empty_shop):
    from api.app import close_api  # noqa: PLC0415

    app = create_app(
        empty_shop.site, empty_shop.url, empty_shop.trace, "x", clock=empty_shop.clock, visitors=Visitors.LOCAL
    )
    visitor = app.test_client()
    assert visitor.get("/api/v1/alerts").status_code == 200
    for environ in (
        {"REMOTE_ADDR": "192.0.2.7"},
        {"HTTP_HOST": "rebound.example"},
        {"HTTP_X_FORWARDED_FOR": "192.0.2.7"},
    ):
        assert visitor.get("/api/v1/alerts", environ_overrides=environ).status_code == 401
    close_api(app)


def test_an_open_stream_is_cut_off_when_its_badge_ends(house, owner, monkeypatch):
    monkeypatch.setattr("api.http.gate.RECHECK_SECONDS", -1)
    stream = owner.get("/api/v1/stream").response
    lines = iter(stream)
    next(lines)
    owner.post("/api/v1/sign-out")
    assert list(zip(range(50), lines, strict=False)) == []


def test_every_answer_carries_the_headers_that_keep_strangers_out(house, owner):
    paths = [path for endpoint, method, path in rules(house.app) if method == "GET" and not endpoint.endswith("stream")]
    assert len(paths) > 60
    for path in [*paths, "/static/desk/ask.js", "/nothing-there", "/api/v1/nothing-there"]:
        answer = owner.get(path)
        headers = answer.headers
        answer.close()
        policy = headers["Content-Security-Policy"]
        assert "unsafe" not in policy
        assert "default-src 'none'" in policy
        assert headers["X-Content-Type-Options"] == "nosniff"
        assert "Access-Control-Allow-Origin" not in headers
        assert answer.mimetype != "text/html" or headers["Cache-Control"] == "no-store", path
        assert headers["Referrer-Policy"] == "no-referrer"
        assert headers["Cross-Origin-Opener-Policy"] == "same-origin"
        assert headers["Cross-Origin-Resource-Policy"] == "same-origin"
