"""The audit trail: who changed what and when."""

from typing import Literal

from flask import Response
from flask_openapi3.blueprint import APIBlueprint
from pydantic import Field

from api.door.door import Door
from api.http.answer import as_csv, live, wants_csv
from api.http.fields import Model, Strict, Time, also_csv, subject
from collector.facts import iso


class TrailQuery(Strict):
    """A page of the trail."""

    limit: int = Field(100, ge=1, le=1000)
    before: int | None = Field(None, ge=1, lt=2**53, description="`next` of the page before.")
    who: str | None = Field(None, max_length=64)
    format: Literal["json", "csv"] | None = Field(None, description="Overrides the Accept header.")


class TrailEntry(Model):
    """One change, or one attempt to come in."""

    id: int
    at: Time
    who: str
    role: str
    through: str = Field(description="Which session, phone, token or program.")
    did: str
    detail: str = Field(description="What was sent, without secrets.")


class TrailAnswer(Model):
    """Entries, newest first."""

    model_config = also_csv("A page.")

    entries: list[TrailEntry]
    next: int | None


def blueprint(door: Door) -> APIBlueprint:
    """`/audit`."""
    bp = subject("audit")

    @bp.get("/audit", responses={200: TrailAnswer})
    def audit_trail(query: TrailQuery) -> Response:
        """Who changed what and when, newest first."""
        found = door.book.entries(before=query.before, who=query.who, limit=query.limit)
        rows = [
            {"id": e.id, "at": iso(e.at_us), "who": e.who, "role": e.role, "through": e.through, "did": e.did,
             "detail": e.detail}
            for e in found
        ]  # fmt: skip
        if wants_csv(query.format):
            return as_csv("audit", list(TrailEntry.model_fields), rows)
        return live({"entries": rows, "next": found[-1].id if len(found) == query.limit else None})

    return bp
