"""The operator's page of a saw, for the phone: what it is doing, and what waits for a person there."""

from __future__ import annotations

from typing import TYPE_CHECKING

from flask import Blueprint, abort, render_template

from dashboard.pages.tending import PEOPLE

if TYPE_CHECKING:
    from dashboard.pages.screen import Screen


def saw_pages(screen: Screen, zone: str) -> Blueprint:
    """``/saw/{saw}``.

    Args:
        screen: the shop.
        zone: its IANA time zone.
    """
    pages = Blueprint("saw", __name__)

    @pages.get("/saw/<saw>")
    def at_saw(saw: str) -> str:
        title = next((s for s in screen.saws if s.name == saw), None) or abort(404)
        return render_template("saw.html", screen=screen, saw=title, zone=zone, people=PEOPLE)

    return pages
