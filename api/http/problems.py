"""Errors as problem details, RFC 9457: what is wrong, where, and what to do about it."""

from __future__ import annotations

import logging
from dataclasses import dataclass, field
from http import HTTPStatus
from typing import TYPE_CHECKING, Any

import orjson
from flask import Flask, Response, request
from flask.json.provider import DefaultJSONProvider
from pydantic import BaseModel, Field, ValidationError
from sqlalchemy.exc import OperationalError
from werkzeug.exceptions import HTTPException

from api.tongues.say import gettext, later, present
from collector.trace.store import TraceError

if TYPE_CHECKING:
    from collections.abc import Callable, Sequence

    Answer = Callable[[HTTPException], Response | HTTPException]

log = logging.getLogger(__name__)

MEDIA_TYPE = "application/problem+json"
TYPES = "/api/v1/problems/"
"""Each problem's ``type`` is this and its slug; the address answers with the entry of `KINDS`."""


@dataclass(frozen=True, slots=True)
class Kind:
    """One kind of problem."""

    status: HTTPStatus
    title: str
    what_to_do: str


KINDS = {
    "bad-request": Kind(
        HTTPStatus.BAD_REQUEST,
        later("The request is not understood."),
        later("Compare it with the description at /api/v1/openapi.json."),
    ),
    "bad-parameter": Kind(
        HTTPStatus.BAD_REQUEST,
        later("A parameter is missing, unknown, or has a value that cannot be used."),
        later("Correct the parameters listed in errors; /api/v1/openapi.json describes them all."),
    ),
    "bad-period": Kind(
        HTTPStatus.BAD_REQUEST,
        later("The period is empty or too long for this answer."),
        later("Let to lie after from, and ask for a long period in pieces."),
    ),
    "not-well": Kind(
        HTTPStatus.SERVICE_UNAVAILABLE,
        later("Something that Kerfbook cannot do without is not well."),
        later("The errors say what; `kerfbook doctor` on the server says what to do about it."),
    ),
    "unknown-saw": Kind(
        HTTPStatus.NOT_FOUND,
        later("This site has no saw of that name."),
        later("Take a name from /api/v1/saws, or add the saw to the site's configuration."),
    ),
    "unknown-blade": Kind(
        HTTPStatus.NOT_FOUND,
        later("There is no blade with that tag."),
        later("Take a tag from /api/v1/blades, or enter the blade there first."),
    ),
    "blade-contradiction": Kind(
        HTTPStatus.CONFLICT,
        later("It contradicts what was said about the blade before."),
        later("Correct or withdraw the earlier entry, or choose another blade or time."),
    ),
    "bad-task": Kind(
        HTTPStatus.BAD_REQUEST,
        later("The maintenance task cannot be as it was sent."),
        later("Correct the part that the detail names; an existing task shows the form."),
    ),
    "changed-meanwhile": Kind(
        HTTPStatus.CONFLICT,
        later("Somebody else was quicker."),
        later("Read it again, and repeat what you wanted if it still stands."),
    ),
    "not-possible": Kind(
        HTTPStatus.CONFLICT,
        later("This cannot be done in the state that it is in."),
        later("Read its state again; the detail says what does not fit."),
    ),
    "not-found": Kind(
        HTTPStatus.NOT_FOUND,
        later("There is nothing at this address."),
        later("The addresses that exist are described at /api/v1/openapi.json."),
    ),
    "method-not-allowed": Kind(
        HTTPStatus.METHOD_NOT_ALLOWED,
        later("This address does not take that method."),
        later("Use one of the methods in the Allow header."),
    ),
    "already-said": Kind(
        HTTPStatus.CONFLICT,
        later("Somebody said this before."),
        later("Read the marks of the period; take the earlier one back to say it differently."),
    ),
    "no-cut-there": Kind(
        HTTPStatus.CONFLICT,
        later("No detected cut is there."),
        later("Take start and end of the cut from /api/v1/saws/{saw}/cuts; take a drawn cut back with DELETE."),
    ),
    "cut-there-already": Kind(
        HTTPStatus.CONFLICT,
        later("A cut counts there already."),
        later("Draw beside it, or mark the one that counts as no_cut first."),
    ),
    "no-data-there": Kind(
        HTTPStatus.CONFLICT,
        later("There is no data there."),
        later("Choose a time with readings of the motor; what nobody measured stays unknown."),
    ),
    "not-sound": Kind(
        HTTPStatus.CONFLICT,
        later("The trial found something that must be mended first, or is not over."),
        later("Do what the findings at /api/v1/saws/{saw}/calibration say, and make the trial again."),
    ),
    "not-signed-in": Kind(
        HTTPStatus.UNAUTHORIZED,
        later("Nobody is signed in."),
        later("Sign in at /sign-in, pair this device by a QR code, or send a token as `Authorization: Bearer …`."),
    ),
    "not-allowed": Kind(
        HTTPStatus.FORBIDDEN,
        later("Whoever is signed in may not do that."),
        later("Let somebody with the right role do it, or ask an owner for it."),
    ),
    "foreign-request": Kind(
        HTTPStatus.FORBIDDEN,
        later("A request that changes something did not come from a page of this server."),
        later(
            "Do it on a page of this server; a program sends a token and no cookie. Behind a proxy, set [web] address."
        ),
    ),
    "refused": Kind(
        HTTPStatus.FORBIDDEN,
        later("That does not open the door."),
        later("Check what you typed. A code or QR code is good once and for a short time: ask an owner for a new one."),
    ),
    "locked": Kind(
        HTTPStatus.TOO_MANY_REQUESTS,
        later("Too many attempts went wrong."),
        later("Wait until the time in Retry-After is over; an owner can set a new password or PIN."),
    ),
    "weak-secret": Kind(
        HTTPStatus.BAD_REQUEST,
        later("Others would guess that."),
        later("Choose another; the detail says what is wrong with this one."),
    ),
    "too-many-streams": Kind(
        HTTPStatus.SERVICE_UNAVAILABLE,
        later("As many live streams are open as this server serves."),
        later("Close a screen that nobody looks at, or try again in a minute."),
    ),
    "store-unavailable": Kind(
        HTTPStatus.SERVICE_UNAVAILABLE,
        later("The stores cannot be read or written at the moment."),
        later("Look at the server's log; check that the database runs and that the disk is not full."),
    ),
    "internal": Kind(
        HTTPStatus.INTERNAL_SERVER_ERROR,
        later("The server failed on this request."),
        later("Nothing is lost. The server's log has the details; try again, and report it if it stays."),
    ),
}


class FieldError(BaseModel):
    """One thing that is wrong, and where."""

    where: str = Field(description="The part of the request, such as `query parameter from`.")
    detail: str


class ProblemDetails(BaseModel):
    """An error as RFC 9457 describes it, and what to do about it."""

    type: str = Field(description="Address of the kind of problem.")
    title: str
    status: int
    detail: str
    instance: str = Field(description="The address that was asked for.")
    what_to_do: str
    errors: list[FieldError] = Field(default=[], description="Where several things are wrong, each of them.")


class ProblemKind(BaseModel):
    """A kind of problem, as its `type` address describes it."""

    type: str
    title: str
    status: int
    what_to_do: str


@dataclass(eq=False)
class Problem(Exception):  # noqa: N818 (the RFC's word)
    """Raised anywhere in a request; becomes the response.

    Attributes:
        slug: a key of `KINDS`.
        detail: what is wrong with this request in particular.
        errors: where and what, for several errors at once.
        headers: extra headers of the response.
    """

    slug: str
    detail: str
    errors: Sequence[FieldError] = ()
    headers: dict[str, str] = field(default_factory=dict)


def problem_response(
    slug: str,
    detail: str,
    *,
    status: int | None = None,
    title: str | None = None,
    errors: Sequence[FieldError] = (),
    headers: dict[str, str] | None = None,
) -> Response:
    """The response for a problem; ``status`` and ``title`` override those of its kind."""
    kind = KINDS[slug]
    body: dict[str, Any] = {
        "type": TYPES + slug,
        "title": title or gettext(kind.title),
        "status": status or kind.status.value,
        "detail": detail,
        "instance": request.path,
        "what_to_do": gettext(kind.what_to_do),
        "errors": [e.model_dump() for e in errors],
    }
    response = Response(orjson.dumps(body), status or kind.status, mimetype=MEDIA_TYPE)
    response.headers["Cache-Control"] = "no-store"
    response.headers["Content-Language"] = present().tag
    response.headers.update(headers or {})
    return response


_UNFIT = {
    "missing": later("is missing"),
    "extra_forbidden": later("is not known here"),
    "string_too_short": later("is too short: at least {min_length} characters"),
    "string_too_long": later("is too long: at most {max_length} characters"),
    "string_type": later("must be a text"),
    "string_pattern_mismatch": later("does not have the form {pattern}"),
    "int_parsing": later("must be a whole number"),
    "int_type": later("must be a whole number"),
    "int_from_float": later("must be a whole number"),
    "float_parsing": later("must be a number"),
    "float_type": later("must be a number"),
    "finite_number": later("must be a number"),
    "bool_parsing": later("must be true or false"),
    "bool_type": later("must be true or false"),
    "greater_than": later("must be above {gt}"),
    "greater_than_equal": later("must be at least {ge}"),
    "less_than": later("must be below {lt}"),
    "less_than_equal": later("must be at most {le}"),
    "literal_error": later("must be one of {expected}"),
    "enum": later("must be one of {expected}"),
}
"""What is wrong with a parameter, by the type of pydantic's error; its words stand for all others."""


def _unfit(error: Any) -> str:
    known = _UNFIT.get(error["type"])
    context = error.get("ctx", {})
    return str(context.get("error", error["msg"])) if known is None else gettext(known, **context)


def invalid(error: ValidationError) -> Response:
    """The response for parameters that do not fit their description."""
    wrong = [
        FieldError(
            where=gettext("parameter {name}", name=".".join(str(part) for part in e["loc"]) or gettext("(all)")),
            detail=_unfit(e),
        )
        for e in error.errors(include_url=False, include_input=False)
    ]
    detail = "; ".join(f"{w.where}: {w.detail}" for w in wrong)
    return problem_response("bad-parameter", detail, errors=wrong)


def ours(path: str) -> bool:
    """Whether errors at this address are the API's to answer; a page beside the API answers its own."""
    return path.startswith("/api/") or path in {"/healthz", "/metrics"}


def answer_pages(app: Flask, answer: Answer) -> None:
    """Let ``answer`` say what a person sees where an address that is not the API's comes to an error."""
    app.extensions[_PAGES] = answer


_PAGES = "kerfbook.pages"
_BY_STATUS = {400: "bad-request", 404: "not-found", 405: "method-not-allowed"}


class _Json(DefaultJSONProvider):
    """JSON that is nested without end is refused as any other that cannot be read."""

    def loads(self, s: str | bytes, **kwargs: Any) -> Any:
        try:
            return super().loads(s, **kwargs)
        except RecursionError as error:
            raise ValueError("nested too deeply") from error


def install(app: Flask) -> None:
    """Let every error below ``/api/`` leave ``app`` as problem details."""
    app.json = _Json(app)

    @app.errorhandler(Problem)
    def _problem(error: Problem) -> Response:
        return problem_response(error.slug, error.detail, errors=error.errors, headers=error.headers)

    @app.errorhandler(Exception)
    def _any(error: Exception) -> Response | HTTPException:
        if not ours(request.path):
            if isinstance(error, HTTPException):
                page: Answer = app.extensions.get(_PAGES, lambda unchanged: unchanged)
                return page(error)
            raise error
        if not isinstance(error, HTTPException):
            where = f"{request.method} {request.url_rule or '(no such address)'}"
            if isinstance(error, OperationalError | TraceError):  # locked, full, read-only or away; not torn
                log.error("%s: the stores failed: %s", where, error)
                detail = gettext("The stores failed at this request; nothing of it was kept. Try again in a minute.")
                return problem_response("store-unavailable", detail, headers={"Retry-After": "30"})
            log.error("%s failed", where, exc_info=error)
            return problem_response("internal", gettext("An error that nobody foresaw; it is in the server's log."))
        if error.response is not None:  # aborted with a finished response: it is one of ours already
            return error
        code = error.code or 500
        headers = {k: v for k, v in error.get_headers() if k.lower() not in {"content-type", "content-length"}}
        detail = error.description or error.name
        if code == 404:
            detail = gettext("There is nothing at {address}.", address=request.path)
        if code == 405:
            detail = gettext("{address} does not take {method}.", address=request.path, method=request.method)
        slug = _BY_STATUS.get(code, "bad-request" if code < 500 else "internal")
        title = None if code in _BY_STATUS else error.name
        return problem_response(slug, detail, status=code, title=title, headers=headers)
