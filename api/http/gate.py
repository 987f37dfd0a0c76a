"""The gate: every request of every page and address passes here, and nowhere else is decided who may do what.

In order: who asks (cookie or token), whether the address is in the table of needs, whether they have the right, and
for a request that changes something, whether it comes from a page of ours. Then whoever it is speaks, and each write
of the book in this request takes an entry of the audit trail with it.
"""

from __future__ import annotations

import ipaddress
import time
from typing import TYPE_CHECKING, Any, cast
from urllib.parse import urlsplit

from flask import Flask, Response, g, request

from api.door.door import PHONE, POST, SESSION, TV, Door, Opened
from api.door.guest import NOBODY, VISITOR, Guest, Visitors
from api.door.rights import NEEDS, Right
from api.http.problems import Problem, ours
from api.tongues.say import gettext
from collector.book import audit
from collector.book.audit import Entry

if TYPE_CHECKING:
    from collections.abc import Callable, Iterable, Iterator, Mapping

    from werkzeug.wrappers import Response as Answer

    Turn = Callable[[Guest, Right], Answer]

EXTENSION = "kerfbook.gate"
COOKIE = "kerfbook"
KEPT_APART = {POST: "kerfbook-post", TV: "kerfbook-tv"}
"""Cookies of badges that stay when people sign in and out on the same device."""
KNOWN = "kerfbook-known"
SAFE = frozenset({"GET", "HEAD", "OPTIONS"})
RECHECK_SECONDS = 10
"""A live stream is cut off so soon after its badge was ended."""
COOKIE_SECONDS = 400 * 86_400
"""As long as browsers keep one at most; how long a badge is good is for the book to say."""
_SECRET = frozenset({"password", "pin", "code", "secret", "old_password", "token", "key", "name"})
"""Of these the audit trail keeps that they were sent, and not what: secrets, and names, which are erased one day."""
_HIDDEN = "•••"


class Gate:
    """Stands before an application.

    Args:
        app: the application.
        door: knows people and badges.
        now: the present, microseconds UTC.
        visitors: what people without an account may do.
        address: by which people reach the application, where it is not the one they ask at; ``https://…`` makes
            cookies travel over TLS alone.
    """

    def __init__(
        self, app: Flask, door: Door, now: Callable[[], int], visitors: Visitors, address: str | None = None
    ) -> None:
        self.door = door
        self._app = app
        self.needs: dict[str, Right] = dict(NEEDS)
        self._now = now
        self._visitors = visitors
        self._turn: Turn | None = None
        parts = urlsplit(address or "")
        self._address = parts.netloc.lower()
        self.secure = parts.scheme == "https"
        app.extensions[EXTENSION] = self
        app.before_request(self._pass)
        app.after_request(self._leave)
        app.teardown_request(lambda _error: audit.speak(None))

    def add(self, needs: Mapping[str, Right], turn: Turn) -> None:
        """What pages need, and how somebody is turned away from one; templates ask ``may("blades.rack")``."""
        self.needs |= needs
        self._turn = turn
        self._app.jinja_env.globals["may"] = lambda endpoint: g.guest.may(self.needs[endpoint])

    def guest(self) -> Guest:
        """Whoever asks."""
        bearer = request.authorization
        if bearer is not None and bearer.type == "bearer":
            return self.door.admit([], bearer.token)
        acting = request.method not in SAFE or not ours(request.path)
        guest = self.door.admit(self.cookies(), acting=acting)
        if guest is NOBODY and self._visitors is Visitors.LOCAL and local():
            return VISITOR
        return guest

    def cookies(self) -> list[str]:
        """The cookies of ours that the request carries."""
        return [value for name in (COOKIE, *KEPT_APART.values()) if (value := request.cookies.get(self._name(name)))]

    def hand_over(self, answer: Response, opened: Opened) -> None:
        """Give the browser the secret of its new badge, and end the one in whose place it comes."""
        kind, before = opened.badge.kind, g.guest
        if kind not in KEPT_APART and before.kind in {SESSION, PHONE}:
            self.door.sign_out(before)
        self._set(answer, KEPT_APART.get(kind, COOKIE), self.door.cookie(opened.secret))
        if kind == SESSION and opened.person is not None and opened.badge.parent_id is None:
            self._set(answer, KNOWN, self.door.known_cookie(opened.person.id))

    def known(self) -> str | None:
        """What a browser shows in which somebody signed in before."""
        return request.cookies.get(self._name(KNOWN))

    def take_back(self, answer: Response) -> None:
        """Let the browser forget the badge of its person; a shared phone stays one."""
        answer.delete_cookie(self._name(COOKIE), secure=self.secure, httponly=True, samesite="Lax")

    def _name(self, name: str) -> str:
        return f"__Host-{name}" if self.secure else name  # RFC 6265bis, 4.1.3.2

    def _set(self, answer: Response, name: str, value: str) -> None:
        # Lax and not Strict: a link in a message opens the page it names; what changes something is checked anyway.
        answer.set_cookie(
            self._name(name), value, COOKIE_SECONDS, path="/", secure=self.secure, httponly=True, samesite="Lax"
        )

    def _pass(self) -> Answer | None:
        audit.speak(None)
        g.guest = NOBODY
        if request.endpoint is None:  # there is nothing at this address; its error says so, and a page the way on
            if not ours(request.path):
                g.guest = self.guest()
            return None
        need = self.needs.get(request.endpoint)
        if need is None:
            detail = gettext("{name} stands in no table of needs, so it is closed to everybody.", name=request.endpoint)
            raise Problem("not-allowed", detail)
        guest = g.guest = self.guest()
        if not guest.may(need):
            return self._refuse(guest, need)
        if request.method not in SAFE:
            self._check_origin(guest)
        if need is not Right.OPEN:  # those that know nobody yet write entries of their own
            audit.speak(Entry(self._now(), guest.name, guest.role, guest.through, *_act()))
        return None

    def _refuse(self, guest: Guest, need: Right) -> Answer:
        if self._turn is not None and not ours(request.path):
            return self._turn(guest, need)
        if guest is NOBODY or guest.kind == POST:  # on a shared phone nobody has signed in, or not any more
            headers = {"WWW-Authenticate": 'Bearer realm="kerfbook"'}
            raise Problem("not-signed-in", gettext("This address is not for strangers."), headers=headers)
        raise Problem(
            "not-allowed", gettext("{name} has no right to {need} here.", name=guest.name, need=repr(need.value))
        )

    def _check_origin(self, guest: Guest) -> None:
        """Whether a request that changes something comes from a page of ours.

        Raises:
            Problem: another site's page sent it, or a cookie came without a browser.
        """
        if guest.kind == "token":
            return  # nothing that a browser adds by itself
        site, origin = request.headers.get("Sec-Fetch-Site"), request.headers.get("Origin")
        ours_too = {request.host.lower(), self._address} - {""}
        if origin is not None and urlsplit(origin).netloc.lower() not in ours_too:
            raise Problem(
                "foreign-request", gettext("The request comes from a page of {origin}.", origin=repr(origin[:100]))
            )
        if site is not None and site not in {"same-origin", "none"}:
            raise Problem("foreign-request", gettext("The request comes from a page of another site."))
        if site is None and origin is None and guest.badge is not None:
            raise Problem(
                "foreign-request",
                gettext("A session comes with the header Origin or Sec-Fetch-Site, as browsers send."),
            )

    def _leave(self, answer: Response) -> Response:
        guest: Guest = g.get("guest", NOBODY)
        if answer.mimetype == "text/event-stream" and guest.badge is not None:
            answer.response = self._while_held(cast("Iterable[bytes]", answer.response), guest.badge)
        if guest.badge is not None and request.endpoint != "screens.static":
            answer.headers.add("Vary", "Cookie")
        return answer

    def _while_held(self, lines: Iterable[bytes], number: int) -> Iterator[bytes]:
        checked = time.monotonic()
        for line in lines:
            if time.monotonic() - checked > RECHECK_SECONDS:
                if not self.door.holds(number):
                    return
                checked = time.monotonic()
            yield line


def gate_of(app: Flask) -> Gate:
    """The gate of an application."""
    return cast("Gate", app.extensions[EXTENSION])


def local() -> bool:
    """Whether the request was made on this computer, to a name that only this computer has.

    The name matters: a page of another site can point its own name at this computer (DNS rebinding), and a proxy in
    front speaks for the whole network.
    """
    if any(name in request.headers for name in ("Forwarded", "X-Forwarded-For", "X-Forwarded-Host", "X-Real-IP")):
        return False
    host = urlsplit(f"//{request.host}").hostname or ""
    return _loopback(request.remote_addr or "") and (host == "localhost" or _loopback(host))


def _loopback(address: str) -> bool:
    try:
        return ipaddress.ip_address(address).is_loopback
    except ValueError:
        return False


def _act() -> tuple[str, str]:
    """What the request does, in the audit trail's words, and what it says, without secrets."""
    did = f"{request.method} {request.path}"
    sent: dict[str, Any] = dict(request.args)
    if request.is_json and (request.content_length or 0) < 100_000:
        body = request.get_json(silent=True)
        if isinstance(body, dict):
            sent |= body
    said = {k: _HIDDEN if k in _SECRET else v for k, v in sent.items() if k != "who" and v is not None}
    return did, audit.packed(said)
