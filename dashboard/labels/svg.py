"""A sheet of labels as SVG 1.1, in millimetres."""

from __future__ import annotations

from typing import TYPE_CHECKING
from xml.sax.saxutils import escape

from dashboard.labels.layout import CODE, LABEL_HEIGHT, LABEL_WIDTH, Paper, code, name_size

if TYPE_CHECKING:
    from collections.abc import Sequence

    from dashboard.labels.layout import Placed

POINT = 25.4 / 72


def sheet(page: Sequence[Placed], paper: Paper) -> str:
    """One page; lines to cut along are thin and grey."""
    w, h = paper.width, paper.height
    parts = [
        f'<svg xmlns="http://www.w3.org/2000/svg" width="{w}mm" height="{h}mm" viewBox="0 0 {w} {h}" '
        'font-family="Helvetica, Arial, sans-serif">',
        f'<rect width="{w}" height="{h}" fill="#fff"/>',
    ]
    for placed in page:
        label, x, y = placed.label, placed.x, placed.y
        path = "".join(f"M{a:.3f} {b:.3f}h{c:.3f}v{d:.3f}h-{c:.3f}z" for a, b, c, d in code(label.url))
        size = name_size(label.name) * POINT
        parts += [
            f'<g transform="translate({x:.3f} {y:.3f})">',
            f'<rect width="{LABEL_WIDTH}" height="{LABEL_HEIGHT}" fill="none" stroke="#aaa" stroke-width="0.1"/>',
            f'<path transform="translate(1 2)" d="{path}" shape-rendering="crispEdges"/>',
            f'<text x="{CODE + 1.5}" y="15" font-size="{size:.2f}" font-weight="700">{escape(label.name)}</text>',
            f'<text x="{CODE + 1.5}" y="22" font-size="2.9">{escape(label.line)}</text>',
            "</g>",
        ]
    parts.append("</svg>")
    return "".join(parts)
