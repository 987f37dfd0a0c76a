"""The logbook in a real Chromium: a cut is called none in two clicks, a missed one is drawn, and both count."""

from __future__ import annotations

import json
import os
import time
import urllib.error
import urllib.request
from pathlib import Path
from typing import TYPE_CHECKING, Any

import plotly.graph_objects
import pytest
from selenium.webdriver.common.action_chains import ActionChains
from selenium.webdriver.common.by import By

from collector.facts import iso, parse_iso
from tests.dashboard.worked import work_a_day
from tests.waiting import wait

if TYPE_CHECKING:
    from selenium.webdriver.remote.webdriver import WebDriver

    from tests.dashboard.shop import Shop

pytestmark = pytest.mark.real

PICTURES = os.environ.get("KERFBOOK_PICTURES")
LAPTOP, PHONE = (1366, 768), (390, 844)
PAINTED = "document.getElementById('chart').dataset.painted !== undefined"


def show(chrome: WebDriver, address: str, size: tuple[int, int] = LAPTOP) -> None:
    chrome.execute_cdp_cmd(
        "Emulation.setDeviceMetricsOverride",
        {"width": size[0], "height": size[1], "deviceScaleFactor": 1, "mobile": size == PHONE},
    )
    chrome.get("about:blank")
    chrome.get(address)
    wait(chrome, PAINTED)


def text(chrome: WebDriver, selector: str) -> str:
    return str(chrome.execute_script("return document.querySelector(arguments[0])?.innerText ?? ''", selector))


def picture(chrome: WebDriver, name: str) -> None:
    if PICTURES:
        Path(PICTURES).mkdir(exist_ok=True)
        chrome.save_screenshot(str(Path(PICTURES) / f"{name}.png"))


def get(shop: Shop, path: str) -> Any:
    with urllib.request.urlopen(f"{shop.address}/api/v1/{path}") as answer:
        return json.load(answer)


def cuts(shop: Shop) -> list[dict[str, Any]]:
    return get(shop, "saws/heron/cuts?limit=1000")["cuts"]


def total(shop: Shop) -> int:
    return get(shop, "wall")["saws"][0]["cuts"]["total"]


def around(cut: dict[str, Any], seconds: float = 15) -> str:
    """The address of a sheet with a cut in its middle."""
    middle = (parse_iso(cut["start"]) + parse_iso(cut["end"])) // 2
    half = round(seconds * 1e6)
    return f"from={iso(middle - half)}&to={iso(middle + half)}"


# A point of the chart's plane by time (ms) and height (0 below … 1 above), in the window's pixels.
PLACE = """
const chart = document.getElementById("chart");
const { xaxis, _size: size } = chart._fullLayout;
const box = chart.getBoundingClientRect();
const [from, to] = xaxis.range;
return [box.left + size.l + (arguments[0] - from) / (to - from) * size.w, box.top + size.t + size.h * (1 - arguments[1])];
"""


def place(chrome: WebDriver, ms: float, height: float = 0.5) -> tuple[int, int]:
    x, y = chrome.execute_script(PLACE, ms, height)
    return round(x), round(y)


def ms(text: str) -> float:
    return parse_iso(text) / 1000


def click_at(chrome: WebDriver, point: tuple[int, int]) -> None:
    actions = ActionChains(chrome)
    actions.w3c_actions.pointer_action.move_to_location(*point)
    actions.w3c_actions.pointer_action.click()
    actions.perform()


def drag(chrome: WebDriver, a: tuple[int, int], b: tuple[int, int]) -> None:
    actions = ActionChains(chrome)
    pointer = actions.w3c_actions.pointer_action
    pointer.move_to_location(*a)
    pointer.pointer_down()
    pointer.move_to_location((a[0] + b[0]) // 2, a[1])
    pointer.move_to_location(*b)
    pointer.pointer_up()
    actions.perform()


@pytest.fixture
def shop(open_shop):
    shop = open_shop(2)
    work_a_day(shop)
    return shop


def test_two_clicks_call_a_cut_none_and_every_number_follows(chrome, shop):
    before, cut = total(shop), cuts(shop)[20]
    show(chrome, f"{shop.address}/logbook/heron?{around(cut)}")
    middle = (ms(cut["start"]) + ms(cut["end"])) / 2
    click_at(chrome, place(chrome, middle))
    assert "A cut, found by the detector" in text(chrome, "#chosen")
    assert "takes it out of every count and ratio" in text(chrome, "#chosen")
    picture(chrome, "logbook-chosen")
    chrome.find_element(By.ID, "no-cut").click()
    wait(chrome, "!document.getElementById('said').hidden")
    assert total(shop) == before - 1
    assert cut["start"] not in [c["start"] for c in cuts(shop)]
    (mark,) = get(shop, "saws/heron/marks")["marks"]
    assert (mark["kind"], mark["who"], mark["start"]) == ("no_cut", "operator", cut["start"])
    assert "Marked “no cut”" in text(chrome, "#chosen")
    picture(chrome, "logbook-no-cut")
    chrome.find_element(By.CSS_SELECTOR, "#said button").click()
    wait(chrome, "document.querySelector('#said span').innerText === 'Undone.'")
    assert total(shop) == before


def test_a_missed_cut_is_drawn_by_dragging_and_counts_as_chosen(chrome, shop):
    """The one missed is one that was called none before: the trace shows it, no cut counts there."""
    cut = next(c for c in cuts(shop)[15:] if ms(c["end"]) - ms(c["start"]) > 4000)
    show(chrome, f"{shop.address}/logbook/heron?{around(cut)}")
    click_at(chrome, place(chrome, ms(cut["start"]) + 1000))
    chrome.find_element(By.ID, "no-cut").click()
    wait(chrome, "!document.getElementById('said').hidden")
    before = total(shop)
    chrome.find_element(By.ID, "draw").click()
    drag(chrome, place(chrome, ms(cut["start"])), place(chrome, ms(cut["end"])))
    wait(chrome, "document.getElementById('keep') !== null")
    picture(chrome, "logbook-drawn")
    assert chrome.execute_script("return document.querySelector('#chosen input:checked').value") == cut["direction"]
    chrome.find_element(By.CSS_SELECTOR, "input[value=unknown]").click()
    chrome.find_element(By.ID, "keep").click()
    wait(chrome, "document.querySelector('#said span').innerText === 'The drawn cut counts.'")
    assert total(shop) == before + 1
    (drawn,) = [m for m in get(shop, "saws/heron/marks")["marks"] if m["kind"] == "missed_cut"]
    assert drawn["direction"] == "unknown"
    assert ms(drawn["start"]) == pytest.approx(ms(cut["start"]), abs=100)  # a pixel is 33 ms
    assert ms(drawn["end"]) == pytest.approx(ms(cut["end"]), abs=100)
    assert drawn["cut"]["mean_amps"] == pytest.approx(cut["mean_amps"], rel=0.05)
    assert "A cut, drawn by a person" in text(chrome, "#chosen")  # not the one that is none, which starts there too
    picture(chrome, "logbook-kept")


def test_zooming_to_a_second_shows_single_readings_and_the_address_keeps_it(chrome, shop):
    cut = cuts(shop)[10]
    show(chrome, f"{shop.address}/logbook/heron?{around(cut, 30)}")
    for _ in range(8):
        chrome.find_element(By.ID, "in").click()
    wait(chrome, "/\\?from=/.test(location.search)")
    query = chrome.execute_script("return Object.fromEntries(new URLSearchParams(location.search))")
    assert ms(query["to"]) - ms(query["from"]) == pytest.approx(1000, abs=2)
    wait(
        chrome,
        "document.getElementById('chart').dataset.painted === "
        "`${new URLSearchParams(location.search).get('from')}/${new URLSearchParams(location.search).get('to')}`",
    )
    line = "document.getElementById('chart').data.find((d) => d.name === 'motor current')"
    assert wait(chrome, f"{line}.mode") == "lines+markers"
    stored = shop.trace.read("heron", round(ms(query["from"]) * 1000), round(ms(query["to"]) * 1000)).motor
    shown = chrome.execute_script(f"const d = {line}; return d.x.map((x, i) => [x, d.y[i]])")
    inside = [y for x, y in shown if ms(query["from"]) <= x < ms(query["to"])]
    assert inside == [v / 1000 for v in stored.v.tolist()]
    picture(chrome, "logbook-second")
    link = chrome.current_url
    show(chrome, link)
    assert chrome.current_url == link


def test_the_wheel_zooms_and_asks_for_finer_readings(chrome, shop):
    cut = cuts(shop)[10]
    show(chrome, f"{shop.address}/logbook/heron?{around(cut, 300)}")
    x, y = place(chrome, (ms(cut["start"]) + ms(cut["end"])) / 2)
    span = "(([a, b]) => b - a)(document.getElementById('chart')._fullLayout.xaxis.range)"
    before = chrome.execute_script(f"return {span}")
    for _ in range(12):
        wheel = {"type": "mouseWheel", "x": x, "y": y, "deltaX": 0, "deltaY": -240}
        chrome.execute_cdp_cmd("Input.dispatchMouseEvent", wheel)
        time.sleep(0.05)
    wait(chrome, f"{span} < {before / 2}")
    wait(
        chrome,
        "document.getElementById('chart').dataset.painted === "
        "`${new URLSearchParams(location.search).get('from')}/${new URLSearchParams(location.search).get('to')}`",
    )


def test_what_the_box_did_not_say_is_shown_as_no_data_and_no_cut_can_be_drawn_there(chrome, open_shop):
    shop = open_shop(1)
    a, b = parse_iso("2026-03-02T10:30:00Z"), parse_iso("2026-03-02T10:36:00Z")
    work_a_day(shop, silent=(a, b))
    show(chrome, f"{shop.address}/logbook/heron?from=2026-03-02T10:28:00Z&to=2026-03-02T10:38:00Z")
    wait(chrome, "document.getElementById('chart').layout.annotations.some((a) => a.text === 'no data')")
    line = "document.getElementById('chart').data.find((d) => d.name === 'motor current')"
    assert chrome.execute_script(f"return {line}.y.includes(null)")  # no line is drawn across
    assert chrome.execute_script("return document.querySelectorAll('#day-strip .OFFLINE').length") >= 1
    chrome.find_element(By.ID, "draw").click()
    drag(chrome, place(chrome, a / 1000 + 90_000), place(chrome, a / 1000 + 120_000))
    wait(chrome, "document.getElementById('keep') !== null")
    chrome.find_element(By.ID, "keep").click()
    wait(chrome, "!document.getElementById('trouble').hidden")
    assert "no reading of the motor in that time" in text(chrome, "#trouble")
    picture(chrome, "logbook-no-data")


def test_the_sheet_is_a_figure_by_plotlys_own_schema(chrome, shop):
    show(chrome, f"{shop.address}/logbook/heron?{around(cuts(shop)[20])}")
    figure = chrome.execute_script(
        "const { data, layout } = document.getElementById('chart'); return JSON.stringify({ data, layout })"
    )
    made = plotly.graph_objects.Figure(json.loads(figure), skip_invalid=False)
    assert {"motor current", "counted", "drawn", "no data"} <= {trace.name for trace in made.data}


def test_the_days_and_the_hour_lead_to_the_sheet(chrome, shop):
    show(chrome, f"{shop.address}/logbook/heron")
    assert text(chrome, "#day-name") == "Mon, 2 Mar 2026"
    strip = chrome.find_element(By.ID, "day-strip")
    ActionChains(chrome).move_to_element_with_offset(strip, -round(strip.size["width"] / 2) + 20, -10).click().perform()
    wait(chrome, "document.getElementById('hour-name').innerText.startsWith('00')")
    chrome.find_element(By.ID, "day-before").click()
    wait(chrome, "document.getElementById('day-name').innerText === 'Sun, 1 Mar 2026'")


def test_nothing_leaves_this_computer_and_nothing_breaks_the_policy(chrome, shop):
    chrome.get("about:blank")
    chrome.get_log("performance")
    chrome.get_log("browser")
    cut = cuts(shop)[20]
    show(chrome, f"{shop.address}/logbook/heron?{around(cut)}")
    click_at(chrome, place(chrome, (ms(cut["start"]) + ms(cut["end"])) / 2))
    chrome.find_element(By.ID, "draw").click()
    events = [json.loads(entry["message"])["message"] for entry in chrome.get_log("performance")]
    urls = [event["params"]["request"]["url"] for event in events if event["method"] == "Network.requestWillBeSent"]
    assert [url for url in urls if not url.startswith((shop.address, "data:", "about:"))] == []
    severe = [entry["message"] for entry in chrome.get_log("browser") if entry["level"] == "SEVERE"]
    # Plotly's bundle brings a style sheet for maps, which no screen has; the policy keeps it out.
    assert [message for message in severe if not ("plotly.min.js" in message and "inline style" in message)] == []
    assert len(severe) <= 1


@pytest.mark.parametrize("size", [LAPTOP, PHONE], ids=str)
def test_it_fits_a_laptop_and_a_phone(chrome, shop, size):
    show(chrome, f"{shop.address}/logbook/heron", size)
    assert chrome.execute_script("return document.documentElement.scrollWidth") <= size[0]
    if size == LAPTOP:
        assert chrome.execute_script("return document.documentElement.scrollHeight") <= size[1]
    else:
        small = "return [...document.querySelectorAll('button, select, input')].filter((e) => e.getClientRects().length"
        small += " && e.type !== 'radio' && e.getBoundingClientRect().height < 48).map((e) => e.id || e.innerText)"
        assert chrome.execute_script(small) == []
    picture(chrome, f"logbook-{size[0]}")


def test_a_saw_that_is_not_there_has_no_logbook(shop):
    with pytest.raises(urllib.error.HTTPError, match="404"):
        urllib.request.urlopen(f"{shop.address}/logbook/egret")
