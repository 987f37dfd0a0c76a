"""The whole way in the time of life: a box publishes, Mosquitto, `kerfbook run`, a screen in Chromium."""

from __future__ import annotations

import time
from typing import TYPE_CHECKING, Any

import pytest
from selenium.webdriver.support.ui import WebDriverWait

from tests.dashboard.running import Message, Running, in_time, messages, payload, work
from tests.dashboard.test_tv import PAINTED, picture, text
from tests.ingest.publisher import Publisher
from tests.waiting import wait

if TYPE_CHECKING:
    from pathlib import Path

    from selenium.webdriver.remote.webdriver import WebDriver

    from tests.conftest import Mosquitto

pytestmark = pytest.mark.real

TOTAL = "[data-saw=heron] .total"
CUTS = 3
"""Chances that a busy computer gets: of so many cuts one must be on the screen within a second."""

# How many pixels of two pictures differ inside and outside of a box. In the browser, which can read its own PNG.
DIFFERENCE = """
const [one, two, box, done] = arguments;
const pixels = async (png) => {
  const bytes = Uint8Array.from(atob(png), (c) => c.charCodeAt(0));
  const bitmap = await createImageBitmap(new Blob([bytes], { type: "image/png" }));
  const pen = new OffscreenCanvas(bitmap.width, bitmap.height).getContext("2d");
  pen.drawImage(bitmap, 0, 0);
  return pen.getImageData(0, 0, bitmap.width, bitmap.height);
};
Promise.all([pixels(one), pixels(two)]).then(([a, b]) => {
  const found = { inside: 0, size: [a.width, a.height] };
  for (let y = Math.floor(box.y); y < box.y + box.height; y++)
    for (let x = Math.floor(box.x); x < box.x + box.width; x++) {
      const i = 4 * (y * a.width + x);
      found.inside += [0, 1, 2].some((c) => Math.abs(a.data[i + c] - b.data[i + c]) > 32);
    }
  done(found);
}, (problem) => done({ problem: String(problem) }));
"""


def differing(chrome: WebDriver, one: str, two: str) -> int:
    """Pixels that differ where the number of heron's cuts stands."""
    box = chrome.execute_script(f"return document.querySelector({TOTAL!r}).getBoundingClientRect().toJSON()")
    found: dict[str, Any] = chrome.execute_async_script(DIFFERENCE, one, two, box)
    assert found.get("size") == [1920, 1080], found
    return int(found["inside"])


def test_a_published_cut_changes_the_number_on_the_screen_within_a_second(
    chrome: WebDriver, mosquitto: Mosquitto, tmp_path: Path
) -> None:
    flow = messages("heron", work(CUTS, cut_s=1.5, pause_s=2.0))
    first = next(i for i, message in enumerate(flow) if message.cuts)
    assert flow[-1].cuts == flow[-1].ended == CUTS
    with Running(tmp_path, mosquitto, ["heron"]) as house, Publisher(mosquitto) as box:
        chrome.execute_cdp_cmd(
            "Emulation.setDeviceMetricsOverride",
            {"width": 1920, "height": 1080, "deviceScaleFactor": 1, "mobile": False},
        )
        house.hear(box, [(flow[0].topic, payload(flow[0], time.time() - 120))])
        # What lies before the last seconds comes at once, as from a box that had lost its connection.
        began = time.time() - flow[first].due + 4
        box.publish((message.topic, payload(message, began)) for message in flow[: first - 4])
        chrome.get(house.tv)
        wait(chrome, PAINTED)
        assert text(chrome, TOTAL) == "0"
        before = [chrome.get_screenshot_as_base64(), chrome.get_screenshot_as_base64()]
        assert differing(chrome, *before) == 0  # the number stands still while nothing is cut
        picture(chrome, "before-a-published-cut")
        seconds = list(_late(chrome, box, flow[first - 4 :], began))
        assert text(chrome, TOTAL) == str(CUTS)
        after = chrome.get_screenshot_as_base64()
        picture(chrome, "after-a-published-cut")
        assert differing(chrome, before[0], after) > 200
        day = house.get("/api/v1/wall")
        cuts = house.get(f"/api/v1/saws/heron/cuts?from={day['day_start']}&to={day['day_end']}")["cuts"]
        assert [cut["direction"] for cut in cuts] == ["vertical"] * CUTS
        assert house.get("/api/v1/refusals")["refusals"] == []
    assert len(seconds) == CUTS
    assert min(seconds) < 1, seconds


def _late(chrome: WebDriver, box: Publisher, flow: list[Message], began: float) -> Any:
    """Publishes in the time of life; yields for each cut the seconds from the publish that tells it to the number."""
    shown = 0
    for message in in_time(flow, began):
        pack = payload(message, began)
        if message.cuts > shown:
            assert text(chrome, TOTAL) == str(shown)  # and not before
        sent = time.monotonic()
        box.client.publish(message.topic, pack, qos=1)
        if message.cuts > shown:
            shown = message.cuts
            WebDriverWait(chrome, 20, 0.01).until(lambda _, now=str(shown): text(chrome, TOTAL) == now)
            yield time.monotonic() - sent
