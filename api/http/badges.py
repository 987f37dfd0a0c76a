"""Badges: sessions, paired phones, links of TVs and tokens of programs; making and ending them."""

from typing import Annotated, Literal

from flask import Response, g
from flask_openapi3.blueprint import APIBlueprint
from pydantic import BaseModel, Field, StringConstraints

from api.door.door import INVITATION, LINK, RENEWAL, Door, Opened
from api.door.rights import GRANTABLE, Right
from api.http.answer import live
from api.http.fields import Model, Strict, Time, subject
from api.http.problems import Problem
from api.tongues.say import gettext
from collector.book.badges import Badge
from collector.facts import iso

Title = Annotated[
    str, StringConstraints(strip_whitespace=True, min_length=1, max_length=60, pattern=r"^[^\x00-\x1f\x7f]+$")
]
Grant = Literal["see", "read", "say", "tend", "install"]
assert {str(r) for r in GRANTABLE} == {"see", "read", "say", "tend", "install"}


class NewBadge(Strict):
    """A badge to hand out."""

    kind: Literal["phone", "post", "link", "token", "renewal"] = Field(
        description="phone: somebody's own, paired by QR. post: a phone that several people share, with PINs. "
        "link: the address of a TV. token: a program's. renewal: lets a person choose a password, once."
    )
    title: Title = Field(description="So that people know later which one it is; what a token says is kept under it.")
    person: int | None = Field(None, ge=1, lt=2**31, description="Whose phone.")
    rights: list[Grant] = Field(default_factory=list, max_length=5, description="Of a token.")
    days: int | None = Field(None, ge=1, le=3650, description="How long a token is good; default: until it is ended.")


class BadgePath(BaseModel):
    """A badge."""

    badge: int = Field(ge=1, lt=2**31)


class BadgeAnswer(Model):
    """A badge that was not ended."""

    id: int
    kind: str
    title: str
    person: str | None
    rights: list[str]
    made: Time
    made_by: str
    seen: Time
    until: Time | None
    mine: bool = Field(description="The one by which this answer was asked.")


class MadeBadge(BadgeAnswer):
    """A new badge with its secret, which is shown now and never again."""

    secret: str
    path: str | None = Field(description="Of a phone's QR code or a TV's link, with the secret behind `#`.")


class BadgeList(Model):
    """Every badge that was not ended, newest first."""

    badges: list[BadgeAnswer]


def blueprint(door: Door) -> APIBlueprint:
    """`/badges…`."""
    bp = subject("badges")

    @bp.get("/badges", responses={200: BadgeList})
    def badges() -> Response:
        """Sessions, phones, links and tokens that open the door."""
        now = door.now()
        rows = [_answer(b, holder) for b, holder in door.book.badges() if b.good(now)]
        return live({"badges": rows})

    @bp.post("/badges", responses={201: MadeBadge})
    def make_badge(body: NewBadge) -> Response:
        """Make an invitation for a phone, a link for a TV, or a token for a program."""
        by = g.guest.name
        opened = _made(door, body, by)
        holder = None if body.person is None else door.book.person(body.person)
        fields = _answer(opened.badge, holder.name if holder else None)
        before = {LINK: "", INVITATION: "", RENEWAL: "new-password."}.get(opened.badge.kind)
        path = None if before is None else f"/enter#{before}{opened.secret}"
        answer = live(fields | {"secret": opened.secret, "path": path})
        answer.status_code = 201
        return answer

    @bp.delete("/badges/<badge>", responses={204: None})
    def end_badge(path: BadgePath) -> Response:
        """End a badge, and all that came from it; at once."""
        if not door.book.end_badge(path.badge, door.now()):
            raise Problem("not-found", gettext("There is no badge {number} that opens anything.", number=path.badge))
        return Response(status=204)

    return bp


def _made(door: Door, body: NewBadge, by: str) -> Opened:
    if (body.kind in {"phone", "renewal"}) != (body.person is not None):
        raise Problem("bad-parameter", gettext("A phone or new password is for a person, anything else for none."))
    if (body.kind == "token") != bool(body.rights) or (body.days is not None and body.kind != "token"):
        raise Problem("bad-parameter", gettext("A token has rights and may have days; anything else has neither."))
    if body.kind == "link":
        return door.link(body.title, by)
    if body.kind == "token":
        return door.token(body.title, by, {Right(r) for r in body.rights}, body.days)
    if body.person is not None:
        who = door.book.person(body.person)
        if who is None or not who.active:
            raise Problem("not-found", gettext("There is no person {number} who may come in.", number=body.person))
        if body.kind == "renewal":
            return door.renewal(who, by)
    return door.invite(body.title, by, body.person)


def _answer(badge: Badge, holder: str | None) -> dict[str, object]:
    return {
        "id": badge.id,
        "kind": badge.kind,
        "title": badge.title,
        "person": holder,
        "rights": badge.rights.split(),
        "made": iso(badge.made_us),
        "made_by": badge.made_by,
        "seen": iso(badge.seen_us),
        "until": None if badge.until_us is None else iso(badge.until_us),
        "mine": badge.id == g.guest.badge,
    }
