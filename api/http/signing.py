"""Signing in and out, pairing a phone, opening a TV's link, and choosing a password by an owner's code."""

from collections.abc import Callable
from typing import Annotated, Any, TypeVar

from flask import Response, g, request
from flask_openapi3.blueprint import APIBlueprint
from flask_openapi3.types import ResponseDict  # noqa: TC002 (as in fields)
from pydantic import Field, StringConstraints

from api.door import secrets
from api.door.door import LockedError, Opened, RefusedError
from api.door.guest import Guest
from api.http.answer import live
from api.http.fields import Model, Strict, problem, subject
from api.http.gate import Gate
from api.http.problems import Problem
from api.tongues.say import gettext
from collector.book.people import NameTakenError
from collector.facts import SECOND

Name = Annotated[
    str, StringConstraints(strip_whitespace=True, min_length=1, max_length=60, pattern=r"^[^\x00-\x1f\x7f#]+$")
]
"""Name of a person as people say it."""

Secret = Annotated[str, StringConstraints(min_length=1, max_length=256)]


T = TypeVar("T")


class SignInBody(Strict):
    """Name and password."""

    name: Annotated[str, StringConstraints(max_length=64)]
    password: Secret


class PinBody(Strict):
    """Somebody at a shared phone."""

    person: int = Field(ge=1, lt=2**31)
    pin: Secret


class FirstOwnerBody(Strict):
    """Whoever becomes the first owner."""

    code: Secret = Field(description="The one-time code that `kerfbook run` printed.")
    name: Name
    password: Secret


class BadgeBody(Strict):
    """What a QR code or a link carries behind its `#`."""

    secret: Secret


class RenewalBody(Strict):
    """A new password, by an owner's code."""

    secret: Secret
    password: Secret


class PersonAtPost(Model):
    """Somebody who can sign in at this shared phone."""

    id: int
    name: str


class Me(Model):
    """Whoever asks."""

    signed_in: bool
    name: str
    role: str
    rights: list[str]
    visitor: bool = Field(description="A visitor of the demo, who speaks under any role.")
    kind: str = Field(description="What let them in: session, phone, post (a shared phone), tv, token or visitor.")
    owned: bool = Field(description="Whether there is an owner; if not, whoever has the printed code becomes it.")
    people: list[PersonAtPost] = Field(description="Who can sign in here with a PIN; only at a shared phone.")


def blueprint(gate: Gate) -> APIBlueprint:  # noqa: C901 (a list of addresses)
    """`/me`, `/sign-in…`, `/sign-out`, `/first-owner` and `/badges/shown`."""
    bp = subject("signing")
    door = gate.door
    refused: ResponseDict = {
        "403": problem("It does not open the door."),
        "429": problem("Too many attempts went wrong."),
    }

    def me_of(guest: Guest, cookies: list[str]) -> dict[str, object]:
        post = door.post_of(cookies)
        people = [] if post is None else [p for p in door.book.people() if p.pin and p.active]
        return {
            "signed_in": guest.badge is not None and guest.person is not None,
            "name": guest.name,
            "role": guest.role,
            "rights": sorted(guest.rights),
            "visitor": guest.free,
            "kind": guest.kind,
            "owned": door.book.owned(),
            "people": [{"id": p.id, "name": p.name} for p in people],
        }

    def opened(made: Opened) -> Response:
        cookies = [door.cookie(made.secret)]  # as the browser will send it from now on
        answer = live(me_of(door.admit(cookies), cookies))
        gate.hand_over(answer, made)
        return answer

    @bp.get("/me", responses={200: Me})
    def me() -> Response:
        """Who is signed in here, and what they may do."""
        return live(me_of(g.guest, gate.cookies()))

    @bp.post("/sign-in", responses={"200": Me, **refused})
    def sign_in(body: SignInBody) -> Response:
        """Sign in with a password; a browser gets a session."""
        return opened(guarded(lambda: _by_password(gate, body), door.now))

    @bp.post("/sign-in/pin", responses={"200": Me, **refused})
    def sign_in_with_pin(body: PinBody) -> Response:
        """Sign in with a PIN, on a phone that an owner paired as a shared one."""
        post = door.post_of(gate.cookies())
        if post is None:
            raise Problem("refused", gettext("A PIN opens only on a phone that was paired as a shared one."))
        return opened(guarded(lambda: door.sign_in_with_pin(post, body.person, body.pin), door.now))

    @bp.post("/sign-out", responses={204: None})
    def sign_out() -> Response:
        """End the session; whoever has a copy of its cookie has nothing any more."""
        door.sign_out(g.guest)
        answer = Response(status=204)
        gate.take_back(answer)
        # Not "storage": what a phone could not deliver yet waits there.
        answer.headers["Clear-Site-Data"] = '"cache"'
        return answer

    @bp.post("/first-owner", responses={"200": Me, **refused})
    def first_owner(body: FirstOwnerBody) -> Response:
        """Become the first owner, with the code that the program printed."""
        address = request.remote_addr or ""
        return opened(guarded(lambda: door.first_owner(body.code, body.name, body.password, address), door.now))

    @bp.post("/badges/shown", responses={"200": Me, **refused})
    def show_badge(body: BadgeBody) -> Response:
        """Pair this phone, or open a TV's screen, by what a QR code or link carries."""
        return opened(guarded(lambda: door.show(body.secret, request.remote_addr or ""), door.now))

    @bp.post("/sign-in/new-password", responses={"200": Me, **refused})
    def choose_password(body: RenewalBody) -> Response:
        """Choose a password by the code that an owner gave, and be signed in; it works once."""
        return opened(guarded(lambda: door.renew(body.secret, body.password, request.remote_addr or ""), door.now))

    return bp


def _by_password(gate: Gate, body: SignInBody) -> Opened:
    return gate.door.sign_in(body.name, body.password, request.remote_addr or "", gate.known())


def new_secrets(name: str, password: str | None, pin: str | None) -> dict[str, Any]:
    """Hashes of a new password and PIN, those that are given.

    Raises:
        Problem: others would guess one of them.
    """
    try:
        if password is not None:
            secrets.check_password(password, name)
        if pin is not None:
            secrets.check_pin(pin)
    except secrets.WeakError as error:
        raise Problem("weak-secret", f"{gettext(str(error))}.") from error
    given = {"password": password, "pin": pin}
    try:
        return {key: secrets.hashed(value) for key, value in given.items() if value is not None}
    except secrets.BusyError as error:
        raise _busy() from error


def _busy() -> Problem:
    return Problem(
        "locked", gettext("Too many passwords are being checked at this moment."), headers={"Retry-After": "5"}
    )


def guarded(attempt: Callable[[], T], now: Callable[[], int]) -> T:
    """An attempt whose failures become answers that do not say what exactly was wrong."""
    try:
        return attempt()
    except RefusedError as error:
        raise Problem("refused", gettext("Name, password, PIN or code is not right.")) from error
    except secrets.WeakError as error:
        raise Problem("weak-secret", f"{gettext(str(error))}.") from error
    except secrets.BusyError as error:
        raise _busy() from error
    except NameTakenError as error:
        raise Problem("not-possible", f"{gettext(str(error))}.") from error
    except LockedError as error:
        wait = max(1, -(-(error.until - now()) // SECOND))
        detail = gettext("Too many attempts went wrong; it is free again in {n} s.", n=wait)
        raise Problem("locked", detail, headers={"Retry-After": str(wait)}) from error
