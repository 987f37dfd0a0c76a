"""What boxes sent that was refused, for the installer to read."""

import base64

from flask import Response
from flask_openapi3.blueprint import APIBlueprint
from pydantic import Field

from api.desk import Desk
from api.http.answer import live
from api.http.fields import Model, Strict, Time, subject
from api.http.problems import Problem
from api.tongues.say import gettext
from collector.facts import iso


class RefusalRow(Model):
    """A refused message, or several alike within an hour."""

    id: int
    topic: str
    saw: str | None = Field(description="Null where the topic names no saw of the site.")
    code: str = Field(description="What is wrong, in a word.")
    reason: str = Field(description="What is wrong, where, and what to do.")
    first: Time
    last: Time
    occurrences: int
    excerpt_base64: str = Field(description="Start of the newest such payload.")


class RefusalCount(Model):
    """How often a saw's messages were refused for one reason, ever."""

    saw: str | None
    code: str
    count: int


class RefusalPage(Model):
    """A page of refusals, newest first, and the counts of all."""

    counts: list[RefusalCount]
    refusals: list[RefusalRow]
    next: str | None


class RefusalQuery(Strict):
    """A page."""

    limit: int = Field(100, ge=1, le=1000)
    cursor: str | None = Field(None, max_length=20, description="`next` of the page before.")


def blueprint(desk: Desk) -> APIBlueprint:
    """`/refusals`."""
    bp = subject("refusals")

    @bp.get("/refusals", responses={200: RefusalPage})
    def refusals(query: RefusalQuery) -> Response:
        """Refused messages with the reason, newest first, and how many there ever were."""
        if query.cursor is not None and not (
            query.cursor.isascii() and query.cursor.isdigit() and len(query.cursor) < 19
        ):
            raise Problem(
                "bad-parameter",
                gettext("The cursor is none that this API gave; take it from `next` of the page before."),
            )
        before = None if query.cursor is None else int(query.cursor)
        found = desk.book.refusals(query.limit + 1, before)
        page = found[: query.limit]
        rows = [
            {
                "id": r.id,
                "topic": r.topic,
                "saw": r.saw,
                "code": r.code,
                "reason": r.reason,
                "first": iso(r.first_us),
                "last": iso(r.last_us),
                "occurrences": r.occurrences,
                "excerpt_base64": base64.b64encode(r.excerpt).decode(),
            }
            for r in page
        ]
        counts = [
            {"saw": saw or None, "code": code, "count": n}
            for (saw, code), n in sorted(desk.book.refusal_counts().items())
        ]
        following = str(page[-1].id) if len(found) > len(page) else None
        return live({"counts": counts, "refusals": rows, "next": following})

    return bp
