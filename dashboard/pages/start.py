"""The start page: which screens there are, for a person who typed the bare address."""

from __future__ import annotations

from typing import TYPE_CHECKING

from flask import Blueprint, render_template

if TYPE_CHECKING:
    from dashboard.pages.screen import Screen


def start_pages(screen: Screen) -> Blueprint:
    """``/``."""
    pages = Blueprint("start", __name__)

    @pages.get("/")
    def start() -> str:
        return render_template("start.html", screen=screen)

    return pages
