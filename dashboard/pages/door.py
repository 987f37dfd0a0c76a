"""The door's pages: signing in, QR codes and links, one's account, people and devices, the audit trail."""

from __future__ import annotations

from io import BytesIO
from typing import TYPE_CHECKING

import segno
from flask import Blueprint, Response, abort, make_response, redirect, render_template, request, url_for

from api.answers.audit_words import SUBJECTS
from api.door.door import POST
from api.door.rights import Right
from api.tongues.say import gettext, later

if TYPE_CHECKING:
    from collections.abc import Callable

    from werkzeug.wrappers import Response as Answer

    from api.door.guest import Guest
    from dashboard.pages.screen import Screen

_NEEDED = {
    Right.SEE: later("see the wall"),
    Right.READ: later("read all"),
    Right.SAY: later("say what was done"),
    Right.TEND: later("look after blades and tasks"),
    Right.INSTALL: later("set up saws"),
    Right.OWN: later("let people in"),
}


def turning_away(screen: Screen) -> Callable[[Guest, Right], Answer]:
    """What somebody gets who asks for a page without the right: the way to sign in, or who may."""

    def turn_away(guest: Guest, need: Right) -> Answer:
        if request.endpoint == "start.start" and guest.may(Right.SEE) and guest.kind != POST:
            return redirect(url_for("tv.wall"), 303)  # the one page that viewers have
        if guest.person is None and request.method in {"GET", "HEAD"}:
            return redirect(url_for("door.sign_in", next=request.full_path.rstrip("?")), 303)
        page = render_template("refused.html", screen=screen, guest=guest, needed=gettext(_NEEDED[need]))
        return make_response(page, 403)

    return turn_away


def door_pages(screen: Screen, address: str | None, zone: str) -> Blueprint:
    """``/sign-in``, ``/enter``, ``/account``, ``/people`` and ``/audit``; ``address``: by which phones reach them."""
    pages = Blueprint("door", __name__)

    @pages.get("/sign-in")
    def sign_in() -> str:
        return render_template("sign_in.html", screen=screen)

    @pages.get("/enter")
    def enter() -> str:
        return render_template("enter.html", screen=screen)

    @pages.get("/account")
    def account() -> str:
        return render_template("account.html", screen=screen)

    @pages.get("/people")
    def people() -> str:
        return render_template("people.html", screen=screen, address=address or "")

    @pages.get("/audit")
    def trail() -> str:
        return render_template("audit.html", screen=screen, zone=zone, subjects=SUBJECTS)

    @pages.post("/people/qr")
    def qr() -> Response:
        # Sent and not part of an address: what the code says opens the door, and addresses are logged.
        text = request.get_data(as_text=True)
        if not 1 <= len(text) <= 500:
            abort(400)
        picture = BytesIO()
        segno.make(text, error="m").save(picture, kind="svg", border=3, scale=6, dark="#000", light="#fff")
        return Response(picture.getvalue(), mimetype="image/svg+xml", headers={"Cache-Control": "no-store"})

    return pages
