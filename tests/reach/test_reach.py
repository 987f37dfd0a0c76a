"""Whether everybody can reach everything: the rules of axe-core (WCAG 2.2 A and AA) and the keyboard, page by page."""

from __future__ import annotations

import datetime as dt
from importlib.resources import files

import pytest
from selenium.webdriver.common.keys import Keys
from selenium.webdriver.support.ui import WebDriverWait

from api.answers.calendar import instant, site_date
from api.desk import Desk
from api.rack import Rack
from api.tending import Tending
from collector.book.blade_entries import BladeSheet, ChangeSaid, SheetSaid
from collector.facts import SECOND, State
from tests.dashboard.conftest import chrome, open_shop  # noqa: F401 (fixtures)

pytestmark = pytest.mark.real

AXE = (files("axe_playwright_python") / "axe.min.js").read_text()
RULES = ["wcag2a", "wcag2aa", "wcag21a", "wcag21aa", "wcag22aa"]
LAPTOP, PHONE, TV = (1366, 768), (390, 844), (1920, 1080)
PAGES = {
    "/": LAPTOP,
    "/tv": TV,
    "/saw/heron": PHONE,
    "/saw/heron/blade": PHONE,
    "/blade/TP-02": PHONE,
    "/blades": LAPTOP,
    "/blades/TP-01": LAPTOP,
    "/blades/labels": LAPTOP,
    "/logbook/heron": LAPTOP,
    "/setup/heron": LAPTOP,
    "/maintenance": LAPTOP,
    "/alerts": LAPTOP,
    "/refusals": LAPTOP,
    "/reports": LAPTOP,
    "/people": LAPTOP,
    "/account": LAPTOP,
    "/audit": LAPTOP,
    "/sign-in": PHONE,
    "/enter": PHONE,
}
WITH_ROOMS = [p for p, size in PAGES.items() if size is LAPTOP]


@pytest.fixture
def shop(open_shop):  # noqa: F811
    """Two saws, one of them at work, two blades, a fault, tasks that wait."""
    now = dt.datetime.now(dt.UTC).replace(microsecond=0)
    shop = open_shop(2, moment=now)
    desk = Desk(shop.site, shop.book, shop.trace, shop.clock)
    rack, us = Rack(desk), shop.clock.us()
    Tending(desk).begin(instant(site_date(us, desk.zone), 0, desk.zone))
    for i, tag in enumerate(("TP-01", "TP-02")):
        rack.book.say_sheet(SheetSaid(f"s{i}", us, "maintenance lead", BladeSheet(tag)))
    rack.book.say_change(ChangeSaid("c1", us, "operator", "heron", "change", us - 3600 * SECOND, "TP-01"))
    body = {"who": "operator", "role": "operator", "what": "dust", "note": "hose is loose"}
    shop.app.test_client().post("/api/v1/saws/heron/faults", json=body)
    shop.work("heron", State.WORKING)
    return shop


def show(chrome, shop, path: str, size: tuple[int, int]) -> None:  # noqa: F811
    how = {"width": size[0], "height": size[1], "deviceScaleFactor": 1, "mobile": size is PHONE}
    chrome.execute_cdp_cmd("Emulation.setDeviceMetricsOverride", how)
    chrome.get(f"{shop.address}{path}")
    quiet = (
        "const [done] = arguments; let last = -1; const look = () => { const n = document.body.innerText.length;"
        " if (document.readyState === 'complete' && n === last) done(n); else { last = n; setTimeout(look, 400); } }; look()"
    )
    chrome.set_script_timeout(60)
    assert chrome.execute_async_script(quiet) > 20


def violations(chrome) -> list[str]:  # noqa: F811
    chrome.execute_script(AXE)
    found = chrome.execute_async_script(
        "const [rules, done] = arguments; axe.run(document, { runOnly: rules, resultTypes: ['violations'] })"
        ".then((r) => done(r.violations.map((v) => `${v.id}: ${v.help}: ` + v.nodes.map((n) => n.html.slice(0, 160)).join(' | '))))",
        RULES,
    )
    return list(found)


@pytest.mark.parametrize("path", PAGES)
def test_axe_finds_nothing_wrong(chrome, shop, path):  # noqa: F811
    show(chrome, shop, path, PAGES[path])
    assert violations(chrome) == []


@pytest.mark.parametrize("path", [p for p in PAGES if "TP-0" not in p])  # of a blade there is nothing to show yet
def test_axe_finds_nothing_wrong_before_anything_was_ever_heard(chrome, open_shop, path):  # noqa: F811
    show(chrome, open_shop(1), path, PAGES[path])
    assert violations(chrome) == []


@pytest.mark.parametrize("path", WITH_ROOMS)
def test_every_laptop_page_leads_to_every_other(chrome, shop, path):  # noqa: F811
    show(chrome, shop, path, LAPTOP)
    there = chrome.execute_script(
        "return [...document.querySelectorAll('#rooms a')].map((a) => new URL(a.href).pathname)"
    )
    assert {
        "/",
        "/reports",
        "/logbook/heron",
        "/blades",
        "/maintenance",
        "/alerts",
        "/setup/heron",
        "/tv",
        "/people",
        "/account",
    } == set(there)
    assert chrome.execute_script("return document.querySelectorAll('#rooms [aria-current]').length") == 1


@pytest.mark.parametrize("path", [p for p in PAGES if p != "/tv"])
def test_the_keyboard_reaches_every_control_and_shows_where_it_is(chrome, shop, path):  # noqa: F811
    show(chrome, shop, path, PAGES[path])
    want = chrome.execute_script(
        "window.reached = new Set(); window.dim = [];"
        "document.addEventListener('focusin', (e) => { reached.add(e.target); const s = getComputedStyle(e.target);"
        " if (s.outlineStyle === 'none' && !e.target.matches('.skip')) dim.push(e.target.outerHTML.slice(0, 120)); });"
        "document.activeElement.blur?.();"
        "window.wanted = [...document.querySelectorAll('a[href], button, select, input, textarea, summary')].filter((e) =>"
        " e.checkVisibility({ visibilityProperty: true }) && !e.disabled && e.tabIndex >= 0 && e.type !== 'radio');"
        "return wanted.length"
    )
    assert want
    for _ in range(want + 12):
        chrome.switch_to.active_element.send_keys(Keys.TAB)
        if chrome.execute_script("return wanted.every((e) => reached.has(e) || !e.isConnected)"):
            break
    missed = "return wanted.filter((e) => e.isConnected && !reached.has(e)).map((e) => e.outerHTML.slice(0, 120))"
    assert chrome.execute_script(missed) == []
    assert chrome.execute_script("return dim") == []


def test_the_skip_link_passes_the_navigation(chrome, shop):  # noqa: F811
    show(chrome, shop, "/maintenance", LAPTOP)
    chrome.switch_to.active_element.send_keys(Keys.TAB)
    WebDriverWait(chrome, 60).until(lambda d: d.execute_script("return document.activeElement.className") == "skip")
    assert chrome.execute_script("return document.activeElement.getBoundingClientRect().top >= 0")
