"""The outsider's checklist: no account, a stolen cookie, a replayed form, a page of another site, guessing."""

from __future__ import annotations

import pytest

from api.door import secrets
from api.door.door import SESSION_IDLE, SESSION_LONGEST
from api.door.guest import Visitors
from api.http.gate import COOKIE
from collector.facts import SECOND
from dashboard.app import create_app
from tests.door.conftest import PASSWORD


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
    (header,) = answer.headers.getlist("Set-Cookie")
    assert "HttpOnly" in header
    assert "SameSite=Lax" in header
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
    (header,) = answer.headers.getlist("Set-Cookie")
    assert header.startswith("__Host-kerfbook=")
    assert "Secure" in header
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
    for path in ("/sign-in", "/api/v1/me", "/static/desk/ask.js", "/", "/nothing-there"):
        answer = owner.get(path)
        headers = answer.headers
        answer.close()
        policy = headers["Content-Security-Policy"]
        assert "unsafe" not in policy
        assert "default-src 'none'" in policy
        assert headers["X-Content-Type-Options"] == "nosniff"
        assert headers["Referrer-Policy"] == "no-referrer"
        assert headers["Cross-Origin-Opener-Policy"] == "same-origin"
        assert headers["Cross-Origin-Resource-Policy"] == "same-origin"
