"""Days of a wall screen in seconds: the server's clock and the page's leap ahead together, and what the page holds is counted.

At every leap of hours the page takes the server for lost (it heard nothing for so long), opens the stream anew, and takes
a new wall: each day is also a broken line and a new day's data.
"""

from __future__ import annotations

import datetime as dt
from typing import TYPE_CHECKING, NamedTuple

from selenium.webdriver.support.ui import WebDriverWait

from collector.facts import State

if TYPE_CHECKING:
    from selenium.webdriver.remote.webdriver import WebDriver

    from tests.dashboard.shop import Shop

# The page's monotonic clock, and its intervals, which fire once more at every leap.
CLOCK = """
const real = performance.now.bind(performance), set = window.setInterval.bind(window), fire = [];
let ahead = 0;
performance.now = () => real() + ahead;
window.setInterval = (f, ms, ...rest) => { fire.push(f); return set(f, ms, ...rest); };
window.leap = (ms) => { ahead += ms; for (const f of fire) f(); };
window.intervals = () => fire.length;
"""
STATES = (State.WORKING, State.READY, State.STANDBY, State.ERROR)


class Held(NamedTuple):
    """What a page holds after a collection of garbage."""

    nodes: int
    listeners: int
    documents: int
    heap_kb: int
    intervals: int


def held(chrome: WebDriver) -> Held:
    """Counts as Chromium's own memory domain gives them."""
    for _ in range(2):
        chrome.execute_cdp_cmd("HeapProfiler.collectGarbage", {})
    counts = chrome.execute_cdp_cmd("Memory.getDOMCounters", {})
    heap = chrome.execute_cdp_cmd("Runtime.getHeapUsage", {})["usedSize"]
    intervals = chrome.execute_script("return intervals()")
    return Held(counts["nodes"], counts["jsEventListeners"], counts["documents"], round(heap / 1000), intervals)


class Year:
    """A wall that stands for days without a reload."""

    def __init__(self, chrome: WebDriver, shop: Shop) -> None:
        self._chrome, self._shop = chrome, shop
        self.day = 0
        self._fill()
        chrome.get("about:blank")
        added = chrome.execute_cdp_cmd("Page.addScriptToEvaluateOnNewDocument", {"source": CLOCK})
        chrome.get(f"{shop.address}/tv")
        chrome.execute_cdp_cmd("Page.removeScriptToEvaluateOnNewDocument", added)
        self._until_painted()
        chrome.execute_script("window.never = 'reloaded'")

    @property
    def reloaded(self) -> bool:
        return bool(self._chrome.execute_script("return window.never !== 'reloaded'"))

    def pass_a_day(self) -> None:
        """Two stretches of half a day; the second ends where the first day's picture was taken."""
        self.day += 1
        for _ in range(2):
            self._shop.clock.leap(12 * 3600)
            self._fill()
            self._chrome.execute_script("leap(12 * 3600 * 1000)")
            self._until_painted()
            self._chrome.execute_script("leap(1000)")  # the ribbons, too, are painted on the new wall

    def _fill(self) -> None:
        for number, name in enumerate(self._shop.saws):
            self._shop.work(name, STATES[(self.day + number) % len(STATES)], hours=3)

    def _until_painted(self) -> None:
        day = dt.datetime.fromtimestamp(self._shop.clock.time(), dt.UTC).strftime("%-d %B")
        script = (
            "return document.getElementById('lost').hidden && document.getElementById('day').textContent.includes(arguments[0])"
            " && document.querySelectorAll('.ribbon[data-painted]').length === arguments[1]"
        )
        WebDriverWait(self._chrome, 60, 0.02).until(lambda d: d.execute_script(script, day, len(self._shop.saws)))
