"""Maintenance and alerts: what is to be done and what was missed, and what people must know now."""

from __future__ import annotations

from typing import TYPE_CHECKING

from flask import Blueprint, render_template

if TYPE_CHECKING:
    from dashboard.pages.screen import Screen

PEOPLE = (
    ("operator", "operator"),
    ("maintenance", "maintenance lead"),
    ("owner", "owner"),
    ("installer", "installer"),
)
"""Roles of the API, and what people call them."""


def tending_pages(screen: Screen, zone: str) -> Blueprint:
    """``/maintenance`` and ``/alerts``.

    Args:
        screen: the shop.
        zone: its IANA time zone.
    """
    pages = Blueprint("tending", __name__)

    @pages.get("/maintenance")
    def maintenance() -> str:
        return render_template("maintenance.html", screen=screen, zone=zone, people=PEOPLE)

    @pages.get("/alerts")
    def alerts() -> str:
        return render_template("alerts.html", screen=screen, zone=zone, people=PEOPLE)

    return pages
