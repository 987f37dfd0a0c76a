"""Where labels lie on a sheet of paper, and their codes as rectangles. Pure; all measures in millimetres."""

from __future__ import annotations

from dataclasses import dataclass
from itertools import groupby
from typing import TYPE_CHECKING

import segno

if TYPE_CHECKING:
    from collections.abc import Iterator, Sequence

QUIET = 4
"""Modules of white round a code that ISO/IEC 18004 wants."""


@dataclass(frozen=True, slots=True)
class Paper:
    """A sheet: its size, and how many labels it takes across and down."""

    name: str
    width: float
    height: float
    across: int = 3
    down: int = 8

    @property
    def per_page(self) -> int:
        """Labels on a sheet."""
        return self.across * self.down


PAPERS = {"a4": Paper("A4", 210.0, 297.0, 3, 8), "letter": Paper("Letter", 215.9, 279.4, 3, 7)}
"""ISO 216 A4, and ANSI/ASME Y14.1 A (US Letter)."""

LABEL_WIDTH, LABEL_HEIGHT = 62.0, 34.0
CODE = 30.0
"""Side of a code with its quiet zone: large enough for a phone held at arm's length over a dusty sleeve."""


@dataclass(frozen=True, slots=True)
class Label:
    """What a label says: a large name, a smaller line, and the address in its code."""

    name: str
    line: str
    url: str


@dataclass(frozen=True, slots=True)
class Placed:
    """A label on a page, its upper left corner in millimetres from the page's."""

    label: Label
    x: float
    y: float


def pages(labels: Sequence[Label], paper: Paper) -> list[list[Placed]]:
    """The labels on as many sheets as they need; no label is no sheet."""
    left = (paper.width - paper.across * LABEL_WIDTH) / 2
    top = (paper.height - paper.down * LABEL_HEIGHT) / 2
    out: list[list[Placed]] = []
    for number, label in enumerate(labels):
        page, place = divmod(number, paper.per_page)
        row, column = divmod(place, paper.across)
        if page == len(out):
            out.append([])
        out[page].append(Placed(label, left + column * LABEL_WIDTH, top + row * LABEL_HEIGHT))
    return out


def code(url: str, side: float = CODE) -> Iterator[tuple[float, float, float, float]]:
    """The dark parts of a QR code (ISO/IEC 18004, error correction M) as rectangles (x, y, width, height).

    Raises:
        ValueError: the address is too long for a code that a phone reads from a label.
    """
    if len(url) > 120:
        raise ValueError(f"an address of {len(url)} characters makes a code too fine for a label; at most 120")
    matrix = segno.make(url, error="m", micro=False).matrix
    module = side / (len(matrix) + 2 * QUIET)
    for y, row in enumerate(matrix):
        x = 0
        for dark, cells in groupby(row):
            length = len(list(cells))
            if dark:
                yield (x + QUIET) * module, (y + QUIET) * module, length * module, module
            x += length


def name_size(name: str) -> float:
    """Height of the name's letters in points: a long tag must fit beside its code."""
    return min(24.0, 150.0 / max(len(name), 1))
