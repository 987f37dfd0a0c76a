"""The operator's page of a saw in a real Chromium at phone size: few taps, a bad line, a light page."""

from __future__ import annotations

import datetime as dt
import json
import os
from pathlib import Path

import pytest

from api.answers.calendar import instant, site_date
from api.desk import Desk
from api.rack import Rack
from api.tending import Tending
from collector.book.blade_entries import BladeSheet, ChangeSaid, SheetSaid
from collector.book.entries import NowEntry, SawCommit
from collector.book.faults import FaultBook
from collector.facts import SECOND, DoorVisit, State
from tests.waiting import until, wait

pytestmark = pytest.mark.real

PICTURES = os.environ.get("KERFBOOK_PICTURES")
SIZES = [(390, 844), (360, 640)]


@pytest.fixture
def shop(open_shop):
    now = dt.datetime.now(dt.UTC).replace(microsecond=0)  # the page compares with the browser's own clock
    shop = open_shop(2, moment=now)
    shop.desk = Desk(shop.site, shop.book, shop.trace, shop.clock)
    shop.rack = Rack(shop.desk)
    shop.tending = Tending(shop.desk)
    # Two weeks old: also at a weekend something waits, if only what Friday left.
    begun = site_date(shop.clock.us(), shop.desk.zone) - dt.timedelta(days=14)
    shop.tending.begin(instant(begun, 0, shop.desk.zone))
    us = shop.clock.us()
    for i, tag in enumerate(("TP-01", "TP-02", "TP-03")):
        shop.rack.book.say_sheet(SheetSaid(f"s{i}", us, "maintenance lead", BladeSheet(tag)))
    shop.rack.book.say_change(ChangeSaid("c1", us, "operator", "heron", "change", us - 86_400 * SECOND, "TP-01"))
    return shop


def opened(shop) -> DoorVisit:
    """The blade door was open for five minutes, a quarter of an hour ago."""
    us = shop.clock.us()
    visit = DoorVisit("heron", us - 900 * SECOND, us - 600 * SECOND, current_seen=False, before_stop=False)
    entry = NowEntry("heron", us, State.STANDBY, us - 600 * SECOND, 0, None, None, True, 0)
    shop.book.commit([SawCommit("heron", visit.start, None, [visit], now=entry)])
    return visit


def show(chrome, shop, size=SIZES[0], path="/saw/heron") -> None:
    how = {"width": size[0], "height": size[1], "deviceScaleFactor": 1, "mobile": True}
    chrome.execute_cdp_cmd("Emulation.setDeviceMetricsOverride", how)
    chrome.execute_cdp_cmd("Network.enable", {})
    chrome.get(f"{shop.address}{path}")
    wait(chrome, "document.body.dataset.ready === 'yes'")


def picture(chrome, name: str) -> None:
    if PICTURES:
        Path(PICTURES).mkdir(exist_ok=True)
        chrome.save_screenshot(str(Path(PICTURES) / f"{name}.png"))


def network(chrome, *, there: bool) -> None:
    how = {"offline": not there, "latency": 0, "downloadThroughput": -1, "uploadThroughput": -1}
    chrome.execute_cdp_cmd("Network.emulateNetworkConditions", how)


def press(chrome, selector: str) -> None:
    chrome.execute_script(f"document.querySelector({json.dumps(selector)}).click()")


@pytest.mark.parametrize("size", SIZES, ids=["390", "360"])
def test_all_that_waits_is_there_and_thumbs_can_reach_it(chrome, shop, size):
    opened(shop)
    show(chrome, shop, size)
    text = chrome.execute_script("return document.body.innerText")
    for word in ("motor off", "TP-01", "Which one went in?", "TP-02", "To do at this saw", "Something is wrong here"):
        assert word in text
    assert chrome.execute_script("return document.documentElement.scrollWidth <= innerWidth")
    chrome.execute_script("document.getElementById('say').click(); document.querySelector('.job .open')?.click()")
    small = chrome.execute_script(
        "return [...document.querySelectorAll('button, select, input, main a')].filter((e) => e.offsetParent"
        " && e.getBoundingClientRect().height < 44).map((e) => e.outerHTML)"
    )
    assert small == []
    assert chrome.execute_script("return document.documentElement.scrollWidth <= innerWidth")
    picture(chrome, f"saw-{size[0]}")


def test_a_fault_is_reported_in_two_taps(chrome, shop):
    show(chrome, shop)
    press(chrome, "#say")
    press(chrome, "#what .grid button")
    book = FaultBook(shop.book)
    until(lambda: len(book.rows()) == 1)
    assert (book.rows()[0].what, book.rows()[0].who) == ("cut", "operator")
    wait(chrome, "document.querySelectorAll('#faults li').length === 1")
    picture(chrome, "saw-fault")


def test_said_without_a_network_it_is_kept_and_delivered_once(chrome, shop):
    show(chrome, shop)
    network(chrome, there=False)
    chrome.execute_script("document.getElementById('note').value = 'burn marks'")
    press(chrome, "#say")
    press(chrome, "#what .grid button")
    wait(chrome, "document.getElementById('state').textContent.includes('kept on this phone')")
    assert chrome.execute_script("return document.querySelector('#faults').innerText.includes('burn marks')")
    network(chrome, there=True)
    book = FaultBook(shop.book)
    until(lambda: len(book.rows()) == 1)
    wait(chrome, "document.getElementById('state').hidden")
    assert [r.note for r in book.rows()] == ["burn marks"]


def test_only_cleaned_is_one_tap_and_which_blade_two(chrome, shop):
    visit = opened(shop)
    show(chrome, shop)
    press(chrome, "#question button.wide")
    until(lambda: len(shop.rack.book.changes()) == 2)
    assert visit.start < shop.rack.book.changes()[-1].at_us < visit.end
    wait(chrome, "document.getElementById('question').hidden")


def test_a_blade_that_is_tapped_opens_its_second_question(chrome, shop):
    opened(shop)
    show(chrome, shop)
    press(chrome, "#question .grid a")
    wait(chrome, "document.querySelector('#ask')?.textContent.includes('TP-02 goes in')")
    chrome.execute_script("document.getElementById('fate-sharpen').click()")
    until(lambda: len(shop.rack.book.changes()) == 2)
    assert shop.rack.book.changes()[-1].tag == "TP-02"


def test_a_task_is_ticked_in_two_taps(chrome, shop):
    show(chrome, shop)
    wait(chrome, "document.querySelector('.job') !== null")
    press(chrome, ".job .open")
    press(chrome, ".job .tick")
    until(lambda: len(shop.tending.book.ticks()) == 1)
    assert shop.tending.book.ticks()[0].saw == "heron"


def test_the_maintenance_page_shows_it_until_it_is_dealt_with(chrome, shop):
    body = {"who": "operator", "role": "operator", "what": "dust", "note": "hose is loose"}
    shop.app.test_client().post("/api/v1/saws/heron/faults", json=body)
    show(chrome, shop, (1366, 768), "/maintenance#faults")
    wait(chrome, "document.querySelector('#faults').innerText.includes('hose is loose')")
    picture(chrome, "maintenance-fault")
    press(chrome, "#faults li button")
    wait(chrome, "document.getElementById('faults').hidden")
    assert FaultBook(shop.book).rows()[-1].closes == FaultBook(shop.book).rows()[0].id


def test_the_page_weighs_less_than_100_kb_and_paints_within_a_second_and_a_half(chrome, shop):
    opened(shop)
    chrome.execute_cdp_cmd("Network.clearBrowserCache", {})
    chrome.get_log("performance")
    show(chrome, shop)
    events = [json.loads(e["message"])["message"] for e in chrome.get_log("performance")]
    weight = sum(e["params"]["encodedDataLength"] for e in events if e["method"] == "Network.loadingFinished")
    assert 10_000 < weight < 100_000
    painted = chrome.execute_script(
        "return performance.getEntriesByType('paint').find((p) => p.name === 'first-contentful-paint')?.startTime"
    )
    print(f"phone page of a saw: {weight / 1000:.0f} kB, first paint {painted:.0f} ms")
