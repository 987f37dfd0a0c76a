"""The door's pages in a real Chromium."""

from __future__ import annotations

import json

import pytest
from selenium.webdriver.common.by import By
from selenium.webdriver.support.ui import WebDriverWait

from api.door import secrets
from api.door.guest import Visitors
from api.http.gate import gate_of
from tests.dashboard.conftest import chrome, open_shop  # noqa: F401 (fixtures)
from tests.door.conftest import PASSWORD
from tests.waiting import wait

pytestmark = pytest.mark.real

ELSEWHERE = [
    "//elsewhere.example/x", "/.//elsewhere.example/x", "/\\elsewhere.example", "https://elsewhere.example/", "javascript:alert(1)",
]  # fmt: skip


@pytest.fixture
def shop(open_shop, chrome):  # noqa: F811
    """Two saws; Ana owns the shop, Rui and Eva cut in it and share a phone."""
    shop = open_shop(2, visitors=Visitors.NOBODY)
    shop.door = gate_of(shop.app).door
    shop.door.book.add_person("Ana", "owner", 1, password=secrets.hashed(PASSWORD))
    for name, pin in (("Rui", "4711"), ("Eva", "2905")):
        shop.door.book.add_person(name, "operator", 1, pin=secrets.hashed(pin))
    yield shop
    chrome.execute_script("localStorage.clear()")
    chrome.delete_all_cookies()


def sign_in(chrome, address: str, following: str = "") -> None:  # noqa: F811
    chrome.get(f"{address}/sign-in{following}")
    wait(chrome, "!document.getElementById('password').hidden")
    chrome.find_element(By.CSS_SELECTOR, "#password [name=name]").send_keys("Ana")
    chrome.find_element(By.CSS_SELECTOR, "#password [name=password]").send_keys(PASSWORD)
    chrome.find_element(By.CSS_SELECTOR, "#password button").click()
    wait(chrome, "location.pathname !== '/sign-in' && document.readyState === 'complete'")


@pytest.mark.parametrize("following", ELSEWHERE)
def test_after_signing_in_nobody_is_led_to_another_server(chrome, shop, following):  # noqa: F811
    wanted = chrome.execute_script("return encodeURIComponent(arguments[0])", following)
    sign_in(chrome, shop.address, f"?next={wanted}")
    assert chrome.execute_script("return location.origin") == shop.address


def test_after_signing_in_everybody_is_where_they_wanted_to_be(chrome, shop):  # noqa: F811
    chrome.get(f"{shop.address}/logbook/heron?day=2026-03-02")
    assert "/sign-in?next=" in chrome.current_url
    sign_in(chrome, shop.address, "?" + chrome.current_url.split("?", 1)[1])
    wanted, now = f"{shop.address}/logbook/heron?", chrome.current_url  # the page soon says hours in place of the day
    assert now.startswith((f"{wanted}day=2026-03-02", f"{wanted}from=2026-03-02T"))


def test_a_forgotten_password_is_chosen_on_the_page_that_the_code_opens(chrome, shop):  # noqa: F811
    rui = shop.door.book.named("Rui")
    chrome.get(f"{shop.address}/enter#new-password.{shop.door.renewal(rui, 'Ana').secret}")
    wait(chrome, "!document.getElementById('choose').hidden")
    assert "new-password" not in chrome.current_url, "what others can scroll back to opens nothing"
    chrome.find_element(By.NAME, "password").send_keys("four wet herons fly")
    chrome.find_element(By.CSS_SELECTOR, "#choose button").click()
    wait(chrome, "location.pathname === '/'")
    assert chrome.execute_async_script(ASK, "GET", "/api/v1/me", None)["name"] == "Rui"


ASK = """
const [method, path, body, done] = arguments;
fetch(path, { method, headers: { "Content-Type": "application/json" }, body: body && JSON.stringify(body) })
  .then(async (answer) => done(answer.status === 204 ? null : await answer.json()));
"""


def test_what_one_said_on_a_shared_phone_never_goes_out_under_anothers_name(chrome, shop):  # noqa: F811
    door = shop.door
    post = door.invite("phone at heron", "Ana", None).secret
    chrome.get(f"{shop.address}/enter#{post}")
    wait(chrome, "!document.getElementById('paired').hidden")
    people = {who.name: who.id for who in door.book.people()}
    said = {
        "what": "dust",
        "note": "hose",
        "who": "Rui",
        "role": "operator",
        "token": "00000000000000000000000000000001",
    }
    kept = [{"path": "/api/v1/saws/heron/faults", "by": "Rui", "body": said}]
    chrome.execute_script("localStorage.setItem('kerfbook.ticks', arguments[0])", json.dumps(kept))

    chrome.execute_async_script(ASK, "POST", "/api/v1/sign-in/pin", {"person": people["Eva"], "pin": "2905"})
    chrome.get(f"{shop.address}/saw/heron")
    wait(chrome, "document.body.dataset.ready")
    assert chrome.find_element(By.CSS_SELECTOR, "a.other").text == "somebody else"
    assert chrome.execute_async_script(ASK, "GET", "/api/v1/faults", None)["faults"] == []
    assert chrome.execute_script("return JSON.parse(localStorage.getItem('kerfbook.ticks')).length") == 1

    chrome.execute_async_script(ASK, "POST", "/api/v1/sign-in/pin", {"person": people["Rui"], "pin": "4711"})
    chrome.get(f"{shop.address}/saw/heron")
    wait(chrome, "JSON.parse(localStorage.getItem('kerfbook.ticks')).length === 0")
    (fault,) = chrome.execute_async_script(ASK, "GET", "/api/v1/faults", None)["faults"]
    assert fault["who"] == "Rui"


def test_a_page_whose_session_ended_says_so_and_keeps_what_is_said(chrome, shop):  # noqa: F811
    sign_in(chrome, shop.address)
    chrome.get(f"{shop.address}/saw/heron")
    wait(chrome, "document.body.dataset.ready")
    for badge, _ in shop.door.book.badges():
        shop.door.book.end_badge(badge.id, shop.clock.us())
    wait(chrome, "document.getElementById('signed-out')")
    assert "next=%2Fsaw%2Fheron" in chrome.find_element(By.CSS_SELECTOR, "#signed-out a").get_attribute("href")


def test_a_tv_whose_link_was_ended_shows_no_old_numbers(chrome, shop):  # noqa: F811
    link = shop.door.link("hall", "Ana")
    chrome.get(f"{shop.address}/enter#{link.secret}")
    wait(chrome, "location.pathname === '/tv' && document.readyState === 'complete'")
    shop.door.book.end_badge(link.badge.id, shop.clock.us())
    chrome.execute_script("dispatchEvent(new Event('resize'))")
    WebDriverWait(chrome, 90, 0.5).until(lambda d: "/sign-in" in d.current_url)
