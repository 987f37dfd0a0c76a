"""``/.well-known/security.txt`` (RFC 9116): where to report a weakness of this installation."""

from __future__ import annotations

import datetime as dt
from typing import TYPE_CHECKING

from flask import Blueprint, Response, abort

from api.tongues import catalogue

if TYPE_CHECKING:
    from api.desk import Clock

_GOOD_FOR = dt.timedelta(days=180)  # RFC 9116, 2.5.5: less than a year


def security_pages(contact: str | None, address: str | None, clock: Clock) -> Blueprint:
    """The file, if somebody is to be told; it never expires while it is served.

    Args:
        contact: a URI.
        address: by which people reach the screens; named as canonical if it is https, as section 2.5.2 asks.
        clock: the present.
    """
    pages = Blueprint("security", __name__)

    @pages.get("/.well-known/security.txt", endpoint="contact")
    def told() -> Response:
        if contact is None:
            abort(404)
        today = dt.datetime.fromtimestamp(clock.time(), dt.UTC).replace(hour=0, minute=0, second=0, microsecond=0)
        fields = [
            ("Contact", contact),
            ("Expires", f"{today + _GOOD_FOR:%Y-%m-%dT%H:%M:%SZ}"),
            ("Preferred-Languages", ", ".join(catalogue.languages())),
        ]
        if address and address.startswith("https://"):
            fields.append(("Canonical", address.rstrip("/") + "/.well-known/security.txt"))
        return Response("".join(f"{name}: {value}\r\n" for name, value in fields), mimetype="text/plain")

    return pages
