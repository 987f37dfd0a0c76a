"""The wall's colours as people see them who see fewer: Chromium's own simulation of colour vision deficiencies.

WCAG 2.2: text against its ground at least 4.5 to 1 (1.4.3), and nothing told by colour alone (1.4.1).
"""

from __future__ import annotations

import itertools

import pytest

from collector.facts import State
from tests.dashboard.test_tv import PAINTED, show
from tests.waiting import wait

pytestmark = pytest.mark.real

VISIONS = ("none", "protanopia", "deuteranopia", "tritanopia", "achromatopsia")
SAWS = {
    "heron": State.WORKING,
    "plover": State.READY,
    "curlew": State.STANDBY,
    "dunlin": State.ERROR,
    "avocet": State.OFFLINE,
}

# Relative luminance (WCAG 2.2) of every pixel of a picture, as {width, height, values}.
LUMINANCES = """
const [data, done] = arguments;
const picture = new Image();
picture.onload = () => {
  const { width, height } = picture;
  const pen = Object.assign(document.createElement("canvas"), { width, height }).getContext("2d");
  pen.drawImage(picture, 0, 0);
  const linear = (c) => (c <= 0.04045 * 255 ? c / 255 / 12.92 : ((c / 255 + 0.055) / 1.055) ** 2.4);
  const { data: p } = pen.getImageData(0, 0, width, height);
  const values = [];
  for (let i = 0; i < p.length; i += 4) values.push(0.2126 * linear(p[i]) + 0.7152 * linear(p[i + 1]) + 0.0722 * linear(p[i + 2]));
  done({ width, height, values });
};
picture.src = `data:image/png;base64,${data}`;
"""


@pytest.fixture
def wall(chrome, open_shop):
    shop = open_shop(5)
    for name, state in SAWS.items():
        shop.work(name, state, heard=4000 if state is State.OFFLINE else 1, door=name != "curlew")
    show(chrome, shop)
    wait(chrome, PAINTED)
    yield shop
    chrome.execute_cdp_cmd("Emulation.setEmulatedVisionDeficiency", {"type": "none"})


def luminances(chrome, selector, vision, size=None):
    """Of what is seen at an element: its width and its pixels, row by row."""
    chrome.execute_cdp_cmd("Emulation.setEmulatedVisionDeficiency", {"type": vision})
    box = chrome.execute_script(
        "const r = document.querySelector(arguments[0]).getBoundingClientRect();"
        "return { x: r.x, y: r.y, width: r.width, height: r.height, scale: 1 }",
        selector,
    )
    if size:
        box |= {"width": size[0], "height": size[1]}
    taken = chrome.execute_cdp_cmd("Page.captureScreenshot", {"format": "png", "clip": box})["data"]
    return chrome.execute_async_script(LUMINANCES, taken)["values"]


def contrast(values):
    """Of the ink against the ground: the ground is what most pixels are, ink the 2 % furthest from it."""
    ordered = sorted(values)
    ground = ordered[len(ordered) // 2]
    low, high = ordered[len(ordered) // 50], ordered[-1 - len(ordered) // 50]
    return max((high + 0.05) / (ground + 0.05), (ground + 0.05) / (low + 0.05))


@pytest.mark.parametrize("vision", VISIONS)
def test_every_word_of_state_can_be_read(chrome, wall, vision):
    read = {
        f"{saw} {part}": contrast(luminances(chrome, f"[data-saw={saw}] {part}", vision))
        for saw in SAWS
        for part in (".word", ".note", ".digits")
    }
    assert {place: round(c, 1) for place, c in read.items() if c < 4.5} == {}


def test_without_any_colour_no_two_states_look_alike(chrome, wall):
    edges = {
        state: luminances(chrome, f"[data-saw={saw}] .edge", "achromatopsia", (20, 120)) for saw, state in SAWS.items()
    }
    alike = []
    for (one, a), (other, b) in itertools.combinations(edges.items(), 2):
        differs = sum(abs(x - y) > 0.1 for x, y in zip(a, b, strict=True)) / len(a)
        if differs < 0.1:
            alike.append((one, other, differs))
    assert alike == []
    words = chrome.execute_script("return [...document.querySelectorAll('.word')].map((e) => e.textContent)")
    assert len(set(words)) == len(SAWS)
