"""A book with an owner and a program's token, and every way in by a secret, gone through as people do and as thieves do."""

from __future__ import annotations

import json
import time
import urllib.error
import urllib.request
from typing import Any

from api.door.door import Door
from api.door.rights import Right
from collector.book.book import Book
from collector.book.people import PeopleBook

PIN, NEW_PIN, WRONG_PIN = "80275193", "61940728", "39517264"
"""As long as they may be, so that no time or number in a log is taken for one."""


def make(url: str, password: str) -> str:
    """Make it; Ana is the owner. Returns the token."""
    with Book(url) as book:
        door = Door(PeopleBook(book), lambda: time.time_ns() // 1000)
        door.first_owner(door.new_first_code(), "Ana", password, "127.0.0.1")
        return door.token("monitoring", "Ana", {Right.SEE}, None).secret


class Browser:
    """Somebody with a browser of their own, which keeps cookies.

    Attributes:
        secrets: all that must not be told to others: what it was given in cookies.
    """

    def __init__(self, address: str, **headers: str) -> None:
        self._address, self._headers = address, headers
        self._jar: dict[str, str] = {}
        self.secrets: set[str] = set()

    def ask(self, path: str, body: object = None, method: str | None = None) -> tuple[int, Any]:
        """Status and JSON of the answer, whatever it is."""
        headers = {"Content-Type": "application/json", "Origin": self._address} | self._headers
        if self._jar:
            headers["Cookie"] = "; ".join(f"{name}={value}" for name, value in self._jar.items())
        data = None if body is None else json.dumps(body).encode()
        asked = urllib.request.Request(self._address + path, data, headers, method=method)
        try:
            answer = urllib.request.urlopen(asked, timeout=60)
        except urllib.error.HTTPError as error:
            answer = error
        with answer:
            for cookie in answer.headers.get_all("Set-Cookie") or ():
                name, _, value = cookie.partition(";")[0].partition("=")
                self._jar[name] = value
                self.secrets |= {value} - {""}
            text = answer.read()
        return answer.status, json.loads(text) if text.startswith(b"{") else None


def use_every_way_in(address: str, password: str) -> set[str]:
    """Goes through password, PIN, invitation, TV's link, renewal, token and feed, each right, wrong and malformed.

    Returns:
        All secrets that were used on the way.
    """
    used, browsers = {PIN, NEW_PIN, WRONG_PIN}, []

    def browser() -> Browser:
        browsers.append(Browser(address))
        return browsers[-1]

    def good(asked: tuple[int, Any]) -> Any:
        assert asked[0] in {200, 201}, asked
        return asked[1]

    owner = browser()
    good(owner.ask("/api/v1/sign-in", {"name": "Ana", "password": password}))
    rui = good(owner.ask("/api/v1/people", {"name": "Rui", "role": "operator", "pin": PIN}))["id"]

    def badge(kind: str, **more: object) -> str:
        secret = good(owner.ask("/api/v1/badges", {"kind": kind, "title": f"a {kind}", **more}))["secret"]
        used.add(secret)
        return str(secret)

    post = browser()
    good(post.ask("/api/v1/badges/shown", {"secret": badge("post")}))
    for pin in (WRONG_PIN, PIN):
        post.ask("/api/v1/sign-in/pin", {"person": rui, "pin": pin})
    assert post.ask("/api/v1/me")[1]["name"] == "Rui"
    for malformed in ({"person": rui, "pin": [PIN]}, {"person": "Rui", "pin": PIN}, {PIN: 1}, [PIN]):
        assert post.ask("/api/v1/sign-in/pin", malformed)[0] >= 400
    phone = browser()
    invitation = badge("phone", person=rui)
    good(phone.ask("/api/v1/badges/shown", {"secret": invitation}))
    assert browser().ask("/api/v1/badges/shown", {"secret": invitation})[0] == 403  # works once
    good(browser().ask("/api/v1/badges/shown", {"secret": badge("link")}))
    renewed = "five slow curlews"
    used.add(renewed)
    desk = browser()
    good(desk.ask("/api/v1/sign-in/new-password", {"secret": badge("renewal", person=rui), "password": renewed}))
    assert desk.ask("/api/v1/me/secrets", {"old_password": renewed, "pin": NEW_PIN}, "PUT")[0] == 204
    assert desk.ask("/api/v1/me/secrets", {"old_password": WRONG_PIN, "pin": NEW_PIN}, "PUT")[0] == 403
    token = badge("token", rights=["see"])
    program = Browser(address, Authorization=f"Bearer {token}")
    good(program.ask("/api/v1/saws"))
    for feed in good(owner.ask("/api/v1/feeds"))["feeds"]:
        used.add(feed["path"].rpartition("/")[2].removesuffix(".ics"))
        assert browser().ask(feed["path"])[0] == 200
    for one in browsers:
        used |= one.secrets
    return used
