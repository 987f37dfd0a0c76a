"""Labels: an independent decoder reads every code, from the printed page as from the screen."""

from __future__ import annotations

import io
from xml.etree import ElementTree as ET

import numpy as np
import pypdfium2
import pytest
import zxingcpp

from dashboard.labels.layout import CODE, LABEL_HEIGHT, LABEL_WIDTH, PAPERS, Label, code, pages
from dashboard.labels.pdf import document
from dashboard.labels.svg import sheet

BASE = "http://192.0.2.7:8080/"
LABELS = [Label(f"TP-{k:02d}", "blade", f"{BASE}blade/TP-{k:02d}") for k in range(1, 31)]


def read(picture):
    found = zxingcpp.read_barcodes(picture, formats=zxingcpp.BarcodeFormat.QRCode)
    return sorted(b.text for b in found)


@pytest.mark.parametrize("paper", PAPERS.values(), ids=lambda p: p.name)
def test_every_code_of_a_printed_sheet_is_read(paper):
    made = pages(LABELS, paper)
    pdf = pypdfium2.PdfDocument(io.BytesIO(document(made, paper)))
    assert len(pdf) == len(made) == 2
    texts = []
    for number, page in enumerate(pdf):
        width, height = page.get_size()
        assert (width, height) == pytest.approx((paper.width * 72 / 25.4, paper.height * 72 / 25.4), abs=0.01)
        picture = np.asarray(page.render(scale=150 / 72).to_numpy())[..., :3].copy()
        texts += read(picture)
        words = page.get_textpage().get_text_range()
        assert all(placed.label.name in words for placed in made[number])
    assert sorted(texts) == [label.url for label in LABELS]


@pytest.mark.parametrize("paper", PAPERS.values(), ids=lambda p: p.name)
def test_labels_lie_on_the_sheet_and_not_over_one_another(paper):
    (page,) = pages(LABELS[: paper.per_page], paper)
    corners = {(round(p.x, 3), round(p.y, 3)) for p in page}
    assert len(corners) == paper.per_page
    for p in page:
        assert 5 <= p.x <= paper.width - LABEL_WIDTH - 5  # printers leave a margin of 5 mm white
        assert 5 <= p.y <= paper.height - LABEL_HEIGHT - 5


def test_the_svg_shows_the_same_modules_at_true_size():
    (page,) = pages(LABELS[:3], PAPERS["a4"])
    root = ET.fromstring(sheet(page, PAPERS["a4"]))
    assert (root.get("width"), root.get("height")) == ("210.0mm", "297.0mm")
    side = 600
    for k, path in enumerate(root.iter("{http://www.w3.org/2000/svg}path")):
        picture = np.full((side, side, 3), 255, np.uint8)
        for part in path.get("d").split("z")[:-1]:
            x, y, w, h = (float(v) for v in part.replace("M", "").replace("h", " ").replace("v", " ").split()[:4])
            a, b = (round(v / CODE * side) for v in (x, y)), (round(v / CODE * side) for v in (x + w, y + h))
            (x0, y0), (x1, y1) = a, b
            picture[y0:y1, x0:x1] = 0
        assert read(picture) == [LABELS[k].url]


def test_a_name_with_signs_of_markup_does_not_break_the_sheet():
    (page,) = pages([Label('<&">', "blade", BASE)], PAPERS["a4"])
    assert '<&">' in "".join(ET.fromstring(sheet(page, PAPERS["a4"])).itertext())
    assert document([page], PAPERS["a4"]).startswith(b"%PDF-1.7")


def test_an_address_too_long_for_a_label_is_refused():
    with pytest.raises(ValueError, match="too fine"):
        list(code("http://" + "a" * 200))
