"""Sheets of labels as PDF, drawn as vectors: sharp on every printer, at true size."""

from __future__ import annotations

import io
from typing import TYPE_CHECKING

import pydyf

from dashboard.labels.layout import CODE, LABEL_HEIGHT, LABEL_WIDTH, Paper, code, name_size

if TYPE_CHECKING:
    from collections.abc import Sequence

    from dashboard.labels.layout import Placed

MM = 72 / 25.4
"""Points in a millimetre."""


def document(pages: Sequence[Sequence[Placed]], paper: Paper) -> bytes:
    """All pages; PDF's origin is the lower left corner, in points.

    Fonts are two of the fourteen that every reader has; letters outside Latin-1 show as question marks.
    """
    pdf = pydyf.PDF()
    fonts = {}
    for name, base in (("Plain", "/Helvetica"), ("Bold", "/Helvetica-Bold")):
        font = pydyf.Dictionary(
            {"Type": "/Font", "Subtype": "/Type1", "BaseFont": base, "Encoding": "/WinAnsiEncoding"}
        )
        pdf.add_object(font)
        fonts[name] = font.reference
    for page in pages:
        stream = pydyf.Stream(compress=True)
        for placed in page:
            _draw(stream, placed, paper)
        pdf.add_object(stream)
        pdf.add_page(
            pydyf.Dictionary(
                {
                    "Type": "/Page",
                    "Parent": pdf.pages.reference,
                    "MediaBox": pydyf.Array([0, 0, round(paper.width * MM, 3), round(paper.height * MM, 3)]),
                    "Resources": pydyf.Dictionary({"Font": pydyf.Dictionary(fonts)}),
                    "Contents": stream.reference,
                }
            )
        )
    out = io.BytesIO()
    pdf.write(out)
    return out.getvalue()


def _draw(stream: pydyf.Stream, placed: Placed, paper: Paper) -> None:
    label, left, top = placed.label, placed.x, placed.y

    def rectangle(x: float, y: float, width: float, height: float) -> None:
        below = paper.height - (top + y + height)
        stream.rectangle(*(round(v * MM, 3) for v in (left + x, below, width, height)))

    stream.set_color_rgb(0.67, 0.67, 0.67, stroke=True)
    stream.set_line_width(0.3)
    rectangle(0, 0, LABEL_WIDTH, LABEL_HEIGHT)
    stream.stroke()
    stream.set_color_rgb(0, 0, 0)
    for x, y, width, height in code(label.url):
        rectangle(1 + x, 2 + y, width, height)
    stream.fill()
    for font, size, y, text in (("Bold", name_size(label.name), 15, label.name), ("Plain", 8.2, 22, label.line)):
        stream.begin_text()
        stream.set_font_size(font, round(size, 2))
        stream.set_text_matrix(1, 0, 0, 1, round((left + CODE + 1.5) * MM, 3), round((paper.height - top - y) * MM, 3))
        stream.show_text_string(text.encode("cp1252", "replace").decode("cp1252"))
        stream.end_text()
