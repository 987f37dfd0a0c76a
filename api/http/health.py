"""Whether the server can answer, and what the kinds of problems mean."""

from typing import Literal

from flask import Response
from flask_openapi3.blueprint import APIBlueprint
from pydantic import BaseModel, Field
from sqlalchemy.exc import SQLAlchemyError

from api.desk import Desk
from api.http.answer import live, settled
from api.http.fields import Model, Time, problem, subject
from api.http.problems import KINDS, TYPES, FieldError, Problem, ProblemKind
from api.tongues.say import gettext
from api.vitals import Vitals
from collector.facts import iso


class Health(Model):
    """The server is well."""

    status: Literal["ok"]
    revision: int = Field(description="Commits that the book has taken.")
    newest_reading: Time | None = Field(description="Of all saws.")


class KindPath(BaseModel):
    """The last part of a problem's type."""

    slug: str = Field(pattern=r"^[a-z-]{1,32}$")


def blueprint(desk: Desk, vitals: Vitals) -> APIBlueprint:
    """`/healthz`."""
    bp = subject("health")

    @bp.get("/healthz", responses={200: Health, 503: problem("Something is not well.")})
    def health() -> Response:
        """Whether the book can be read, the stores be written, and the collector of this process is at its broker.

        A silent box is no fault of the server and does not show here.
        """
        try:
            revision, nows = desk.book.revision(), desk.book.nows()
        except SQLAlchemyError as error:
            raise Problem(
                "store-unavailable", gettext("Reading the book failed: {error}.", error=type(error).__name__)
            ) from error
        if ill := vitals.look():
            errors = [FieldError(where=one.where, detail=one.detail) for one in ill]
            raise Problem("not-well", " ".join(one.detail for one in ill), errors)
        newest = max((entry.at for entry in nows.values()), default=None)
        return live({"status": "ok", "revision": revision, "newest_reading": iso(newest)})

    return bp


def problems_blueprint() -> APIBlueprint:
    """`/problems/{slug}`: what a problem's type leads to."""
    bp = subject("problems")

    @bp.get("/problems/<slug>", responses={200: ProblemKind})
    def problem_kind(path: KindPath) -> Response:
        """What a kind of problem means and what to do about it."""
        kind = KINDS.get(path.slug)
        if kind is None:
            raise Problem("not-found", gettext("There is no kind of problem called {name}.", name=repr(path.slug)))
        body = {"title": kind.title, "status": kind.status.value, "what_to_do": kind.what_to_do}
        return settled({"type": TYPES + path.slug, **body})

    return bp
