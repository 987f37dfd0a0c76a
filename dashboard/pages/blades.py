"""Blades: the phone page at a saw, what a label opens, and the rack and a blade's page for the laptop."""

from __future__ import annotations

import re
from typing import TYPE_CHECKING

from flask import Blueprint, abort, render_template

from dashboard.pages import plotly

if TYPE_CHECKING:
    from api.site import SawTitle
    from dashboard.pages.screen import Screen

_TAG = re.compile(r"[A-Za-z0-9][A-Za-z0-9_-]{0,31}")


def blade_pages(screen: Screen, zone: str) -> Blueprint:
    """``/saw/{saw}/blade``, ``/blade/{tag}``, ``/blades`` and ``/blades/{tag}``.

    Args:
        screen: the shop.
        zone: its IANA time zone.
    """
    bp = Blueprint("blades", __name__)
    titles = [(saw.name, saw.title) for saw in screen.saws]

    def saw_of(name: str) -> SawTitle:
        return next((s for s in screen.saws if s.name == name), None) or abort(404)

    @bp.get("/saw/<saw>/blade")
    def at_saw(saw: str) -> str:
        return render_template("saw_blade.html", screen=screen, saw=saw_of(saw))

    @bp.get("/blade/<tag>")
    def scanned(tag: str) -> str:
        return render_template("blade_label.html", screen=screen, tag=_tag(tag))

    @bp.get("/blades")
    def rack() -> str:
        return render_template("rack.html", screen=screen, titles=titles)

    @bp.get("/blades/<tag>")
    def blade(tag: str) -> str:
        page = {"screen": screen, "titles": titles, "zone": zone, "plotly_version": plotly.version()}
        return render_template("blade.html", tag=_tag(tag), **page)

    return bp


def _tag(tag: str) -> str:
    return tag if _TAG.fullmatch(tag) else abort(404)
