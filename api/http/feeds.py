"""Calendar feeds of due maintenance, one a role, each at a secret address."""

from flask import Response, request
from flask_openapi3.blueprint import APIBlueprint
from pydantic import BaseModel, Field

from api.answers.calendar import DAY, site_date
from api.answers.feed import Calendar, feed
from api.answers.tasks import ROLES
from api.http.answer import live
from api.http.fields import Model, subject
from api.http.people import Role, Said
from api.http.problems import Problem
from api.tending import Tending
from api.tongues.say import gettext

BACK_DAYS = 60
AHEAD_DAYS = 120


class FeedAnswer(Model):
    """One role's feed."""

    role: Role
    path: str = Field(description="Whoever knows this path can read the role's calendar.")


class FeedList(Model):
    """All feeds."""

    feeds: list[FeedAnswer]


class RolePath(BaseModel):
    """A role."""

    role: Role


class SecretPath(BaseModel):
    """A secret."""

    secret: str = Field(pattern=r"^[A-Za-z0-9_-]{1,64}$")


def blueprint(tending: Tending) -> APIBlueprint:
    """`/feeds…`."""
    bp = subject("feeds")
    desk = tending.desk

    def path_of(role: str, *, renew: bool = False) -> dict[str, str]:
        secret = tending.book.secret(role, desk.now(), renew=renew)
        return {"role": role, "path": f"/api/v1/feeds/{secret}.ics"}

    @bp.get("/feeds", responses={200: FeedList})
    def feeds() -> Response:
        """The secret address of every role's calendar feed."""
        return live({"feeds": [path_of(role) for role in ROLES]})

    @bp.post("/feeds/<role>/renewal", responses={201: FeedAnswer})
    def feed_renewal(path: RolePath, body: Said) -> Response:  # noqa: ARG001 (who asks will be kept with accounts)
        """A new secret address; the old one no longer works."""
        answer = live(path_of(path.role, renew=True))
        answer.status_code = 201
        return answer

    described = {"description": "iCalendar (RFC 5545).", "content": {"text/calendar": {"schema": {"type": "string"}}}}

    @bp.get("/feeds/<secret>.ics", responses={200: described})
    def feed_calendar(path: SecretPath) -> Response:
        """Due maintenance of a role, for a calendar program to subscribe to."""
        role = tending.book.role_of(path.secret)
        if role is None:
            raise Problem("not-found", gettext("There is no calendar at this address; it may have been renewed."))
        now = desk.now()
        today = site_date(now, desk.zone)
        first, last = today - BACK_DAYS * DAY, today + AHEAD_DAYS * DAY
        found = [o for saw in desk.saws for o in tending.occurrences(saw, first, last, now)]
        titles = {name: saw.title for name, saw in desk.saws.items()}
        of = Calendar(desk.site.name, desk.site.title, titles, tending.tasks(), request.host_url)
        answer = Response(feed(of, role, found, now), mimetype="text/calendar")
        answer.headers["Cache-Control"] = "private, no-cache"
        answer.add_etag()
        return answer

    return bp
