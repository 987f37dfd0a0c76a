"""What boxes sent that was refused: for the installer who asks why nothing shows."""

from __future__ import annotations

from typing import TYPE_CHECKING

from flask import Blueprint, render_template

if TYPE_CHECKING:
    from dashboard.pages.screen import Screen


def refusal_pages(screen: Screen, zone: str) -> Blueprint:
    """``/refusals``.

    Args:
        screen: the shop.
        zone: its IANA time zone.
    """
    pages = Blueprint("refusals", __name__)

    @pages.get("/refusals")
    def refusals() -> str:
        return render_template("refusals.html", screen=screen, zone=zone)

    return pages
