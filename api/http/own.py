"""What everybody may do about their own account: password, PIN, sessions and phones."""

from flask import Response, g, request
from flask_openapi3.blueprint import APIBlueprint
from flask_openapi3.types import ResponseDict  # noqa: TC002 (as in fields)
from pydantic import BaseModel, Field

from api.door.door import PHONE, SESSION, Door
from api.door.guest import Guest
from api.http.answer import live
from api.http.fields import Model, Strict, Time, problem, subject
from api.http.problems import Problem
from api.http.signing import Secret, guarded, new_secrets
from api.tongues.say import gettext
from collector.book.badges import Badge
from collector.facts import iso


class OwnBadge(Model):
    """A session or phone of whoever asks."""

    id: int
    kind: str
    title: str = Field(description="Of a phone its name, of a session the address where it began.")
    made: Time
    seen: Time
    mine: bool = Field(description="The one by which this answer was asked.")


class OwnBadges(Model):
    """One's own, newest first."""

    badges: list[OwnBadge]


class OwnBadgePath(BaseModel):
    """A badge of one's own."""

    badge: int = Field(ge=1, lt=2**31)


class OwnSecretsBody(Strict):
    """A new password, or PIN, or both."""

    old_password: Secret
    password: Secret | None = None
    pin: Secret | None = Field(None, description="For phones that several people share.")


def blueprint(door: Door) -> APIBlueprint:
    """`/me/badges…` and `/me/secrets`."""
    bp = subject("own")
    refused: ResponseDict = {
        "403": problem("It is not the password."),
        "429": problem("Too many attempts went wrong."),
    }

    @bp.get("/me/badges", responses={200: OwnBadges})
    def own_badges() -> Response:
        """One's own sessions and phones that open the door."""
        guest, now = g.guest, door.now()
        held = [] if guest.person is None else [b for b in door.book.badges_of(guest.person) if b.good(now)]
        return live({"badges": [_own(b, guest) for b in held if b.kind in {SESSION, PHONE}]})

    @bp.delete("/me/badges/<badge>", responses={204: None})
    def end_own_badge(path: OwnBadgePath) -> Response:
        """End one of one's own sessions or phones; at once."""
        found = door.book.badge(path.badge)
        if found is None or found.person_id is None or found.person_id != g.guest.person:
            raise Problem("not-found", gettext("There is no session or phone {number} of yours.", number=path.badge))
        door.book.end_badge(path.badge, door.now())
        return Response(status=204)

    @bp.put("/me/secrets", responses={"204": None, **refused})
    def own_secrets(body: OwnSecretsBody) -> Response:
        """Set one's own password or PIN; all other sessions and phones of the person end."""
        guest: Guest = g.guest
        who = None if guest.person is None else door.book.person(guest.person)
        if who is None or guest.kind != SESSION:
            raise Problem("not-possible", gettext("Sign in with your password first; a visitor or program has none."))
        address = request.remote_addr or ""
        guarded(lambda: door.check(who, body.old_password, address), door.now)
        fields = new_secrets(who.name, body.password, body.pin)
        if not fields:
            raise Problem("bad-parameter", gettext("Say which password or PIN is to be set."))
        door.book.change_person(who.id, door.now(), keep_badge=guest.badge, **fields)
        return Response(status=204)

    return bp


def _own(badge: Badge, guest: Guest) -> dict[str, object]:
    times = {"made": iso(badge.made_us), "seen": iso(badge.seen_us)}
    return {"id": badge.id, "kind": badge.kind, "title": badge.title, "mine": badge.id == guest.badge} | times
