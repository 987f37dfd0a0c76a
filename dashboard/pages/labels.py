"""Labels to print: a sheet to look at, as SVG page by page, and as PDF."""

from __future__ import annotations

import re
from typing import TYPE_CHECKING

from flask import Blueprint, Response, abort, render_template, request

from api.tongues.say import gettext
from dashboard.labels.layout import PAPERS, Label, pages
from dashboard.labels.pdf import document
from dashboard.labels.svg import sheet

if TYPE_CHECKING:
    from collections.abc import Callable

    from dashboard.labels.layout import Paper
    from dashboard.pages.screen import Screen

_BASE = re.compile(r"https?://[A-Za-z0-9.:\[\]_-]{1,80}/?")


def label_pages(screen: Screen, tags: Callable[[], list[str]]) -> Blueprint:
    """``/blades/labels``, ``/blades/labels.svg`` and ``/blades/labels.pdf``.

    Args:
        screen: the shop.
        tags: the blades that need labels.
    """
    bp = Blueprint("labels", __name__)

    def labels(base: str) -> list[Label]:
        found = [Label(tag, gettext("blade"), f"{base}blade/{tag}") for tag in tags()]
        return [*found, *(Label(s.title, gettext("this saw"), f"{base}saw/{s.name}") for s in screen.saws)]

    @bp.get("/blades/labels")
    def print_labels() -> str:
        base, name, paper = _base(), *_paper()
        made = pages(labels(base), paper)
        local = re.match(r"https?://(localhost|127\.|\[::1\])", base) is not None
        return render_template(
            "labels.html", screen=screen, base=base, paper=name, papers=PAPERS, sheets=len(made), local=local
        )

    @bp.get("/blades/labels.svg")
    def svg() -> Response:
        made = pages(labels(_base()), _paper()[1])
        number = request.args.get("page", 1, type=int)
        if not 1 <= number <= len(made):
            abort(404)
        return Response(sheet(made[number - 1], _paper()[1]), mimetype="image/svg+xml")

    @bp.get("/blades/labels.pdf")
    def pdf() -> Response:
        name, paper = _paper()
        answer = Response(document(pages(labels(_base()), paper), paper), mimetype="application/pdf")
        answer.headers["Content-Disposition"] = f'inline; filename="blade-labels-{name}.pdf"'
        return answer

    return bp


def _paper() -> tuple[str, Paper]:
    name = request.args.get("paper", "a4")
    return (name, PAPERS[name]) if name in PAPERS else abort(404)


def _base() -> str:
    """The address that labels lead to: the one under which this page was opened, unless another is given."""
    base = request.args.get("base") or request.host_url
    if not _BASE.fullmatch(base):
        abort(400, "base must look like http://192.0.2.7:8080/")
    return base if base.endswith("/") else f"{base}/"
