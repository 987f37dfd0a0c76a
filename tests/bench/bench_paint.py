"""How soon something stands on the TV and on the phone, and what the phone's page weighs.

    PYTHONPATH=. python -m pytest tests/bench/bench_paint.py -m bench -s

Chromium's own entries of the Paint Timing and Largest Contentful Paint specifications (W3C), on localhost, with an empty
cache each time. *numbers*: when the first number of a saw is drawn. Weight: bytes over the wire of everything that the
page asks for until it is settled, as the Network domain counts them.
"""

from __future__ import annotations

import json
import os
import time

import numpy as np
import pytest
from selenium.webdriver.support.ui import WebDriverWait

from tests.dashboard.conftest import chrome as chrome  # noqa: PLC0414 - a fixture
from tests.dashboard.conftest import open_shop as open_shop  # noqa: PLC0414 - a fixture

pytestmark = [pytest.mark.bench, pytest.mark.real]

TIMES = 3 if os.environ.get("KERFBOOK_BENCH") == "short" else 15
PAGES = {
    "TV 1920x1080": ("/tv", (1920, 1080), "document.querySelector('.saw .digits')?.textContent.match(/[0-9]/)"),
    "phone 390x844": ("/saw/heron", (390, 844), "document.getElementById('now')?.textContent.match(/[a-z]{3}/i)"),
}
PAINTED = """
const of = (type) => performance.getEntriesByType(type).map((e) => e.startTime);
return [of("paint").at(-1) ?? null, window.largest ?? null, window.numbers ?? null];
"""
NOTE = """
window.largest = null; window.numbers = null;
new PerformanceObserver((list) => { window.largest = list.getEntries().at(-1).startTime; })
  .observe({ type: "largest-contentful-paint", buffered: true });
const look = () => { if (READY) window.numbers ??= performance.now(); else requestAnimationFrame(look); };
requestAnimationFrame(look);
"""


@pytest.mark.parametrize("name", PAGES)
def test_first_paint(chrome, open_shop, capsys, name):
    path, (width, height), ready = PAGES[name]
    shop = open_shop(6)
    for saw in shop.saws:
        shop.work(saw)
    how = {"width": width, "height": height, "deviceScaleFactor": 1, "mobile": width < 700}
    chrome.execute_cdp_cmd("Emulation.setDeviceMetricsOverride", how)
    chrome.execute_cdp_cmd("Network.setCacheDisabled", {"cacheDisabled": True})
    added = chrome.execute_cdp_cmd("Page.addScriptToEvaluateOnNewDocument", {"source": NOTE.replace("READY", ready)})
    rows, weights = [], []
    try:
        for _ in range(TIMES):
            chrome.get("about:blank")
            chrome.get_log("performance")
            chrome.get(f"{shop.address}{path}")
            WebDriverWait(chrome, 30, 0.05).until(
                lambda driver: driver.execute_script("return window.numbers !== null && window.largest !== null")
            )
            time.sleep(1)
            rows.append(chrome.execute_script(PAINTED))
            weights.append(_weight(chrome))
    finally:
        chrome.execute_cdp_cmd("Page.removeScriptToEvaluateOnNewDocument", added)
        chrome.execute_cdp_cmd("Network.setCacheDisabled", {"cacheDisabled": False})
    with capsys.disabled():
        for what, ms in zip(
            ("first contentful paint", "largest paint", "numbers"), np.array(rows, float).T, strict=True
        ):
            p50, p95 = np.percentile(ms, [50, 95])
            print(f"{name:14s} {what:24s} median {p50:6.0f} ms   p95 {p95:6.0f} ms   (wanted: 1500)")
        print(f"{name:14s} weight {max(weights) / 1000:.1f} kB")


def _weight(chrome) -> int:
    """Bytes that came over the wire."""
    events = [json.loads(entry["message"])["message"] for entry in chrome.get_log("performance")]
    return sum(e["params"]["encodedDataLength"] for e in events if e["method"] == "Network.loadingFinished")
