"""The start page in a real Chromium: every saw at a glance, and what is where."""

from __future__ import annotations

import datetime as dt

import pytest
from selenium.webdriver.support.ui import WebDriverWait

from collector.facts import State

pytestmark = pytest.mark.real


def cells(chrome, saw: str) -> list[str]:
    return chrome.execute_script(
        "return [...document.querySelectorAll(`tr[data-saw='${arguments[0]}'] td`)].map((cell) => cell.innerText)", saw
    )


def look(chrome, shop) -> None:
    chrome.get(f"{shop.address}/")
    WebDriverWait(chrome, 30).until(lambda c: c.execute_script("return document.body.dataset.ready === 'yes'"))


def test_a_saw_shows_what_it_does_and_what_it_did_today(chrome, open_shop):
    shop = open_shop(2, moment=dt.datetime(2026, 3, 2, 14, 2, tzinfo=dt.UTC))
    shop.work("heron", State.WORKING)
    look(chrome, shop)
    wall = shop.app.test_client().get("/api/v1/wall").json["saws"][0]
    now, use, cuts, blade, waits = cells(chrome, "heron")
    assert now.startswith("cutting\nsince ")
    assert use.startswith(f"{100 * wall['utilisation']['allocation_efficiency']:.0f} %\ndata for ")
    assert cuts.startswith(f"{wall['cuts']['total']}\n{wall['cuts']['vertical']} vertical")
    assert "Nobody has said which blade sits here." in blade
    assert waits


def test_a_saw_never_heard_of_shows_where_to_begin(chrome, open_shop):
    shop = open_shop(2)
    look(chrome, shop)
    assert cells(chrome, "plover")[0] == "never heard of"
    way = chrome.execute_script("return document.querySelector(\"tr[data-saw='plover'] td:last-child a\").pathname")
    assert way == "/setup/plover"


def test_what_a_saw_does_changes_while_somebody_looks(chrome, open_shop):
    shop = open_shop(2)
    shop.work("heron", State.WORKING)
    look(chrome, shop)
    assert cells(chrome, "heron")[0].startswith("cutting")

    def runs_on(c) -> bool:
        shop.heard("heron")
        return cells(c, "heron")[0].startswith("motor runs")

    WebDriverWait(chrome, 60).until(runs_on)


def test_a_page_whose_server_went_away_says_so_until_it_is_back(chrome, open_shop):
    shop = open_shop(2)
    shop.work("heron", State.WORKING)
    look(chrome, shop)
    shop.go_away()
    trouble = "return [document.getElementById('trouble').hidden, document.getElementById('trouble').innerText]"
    WebDriverWait(chrome, 60).until(lambda c: not c.execute_script(trouble)[0])
    assert "does not answer" in chrome.execute_script(trouble)[1]
    shop.come_back()
    WebDriverWait(chrome, 60).until(lambda c: c.execute_script(trouble)[0])
