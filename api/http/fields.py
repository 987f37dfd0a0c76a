"""Fields and models that several subjects share: times, names, facts, and how responses are described."""

import re
from collections.abc import Iterator
from contextlib import contextmanager
from contextvars import ContextVar
from typing import Annotated, Any, Literal, cast

from flask_openapi3.blueprint import APIBlueprint
from flask_openapi3.types import ResponseDict  # noqa: TC002 (models are read at run time)
from pydantic import BaseModel, BeforeValidator, ConfigDict, Field, WithJsonSchema

from api.http.problems import MEDIA_TYPE
from collector.facts import SECOND, Direction, parse_iso

EARLIEST = parse_iso("2000-01-01T00:00:00Z")
LATEST = parse_iso("2100-01-01T00:00:00Z")
DAY = 86_400 * SECOND

_RFC3339 = re.compile(r"(\d{4}-\d\d-\d\d)[Tt ](\d\d:\d\d):(\d\d)(?:\.(\d{1,9}))?([Zz]|[+ -]\d\d:\d\d)", re.ASCII)


def parse_moment(text: object) -> int:
    """Microseconds UTC of an RFC 3339 time.

    A plus sign that an address did not escape arrives as a space and is taken for the plus that it was.

    Raises:
        ValueError: it is no such time, has no zone, or lies outside 2000 to 2099.
    """
    if not isinstance(text, str):
        raise ValueError("a time is a text such as 2026-03-02T07:00:00Z")  # noqa: TRY004 (pydantic reports these)
    parts = _RFC3339.fullmatch(text)
    if parts is None:
        raise ValueError(f"{text[:40]!r} is no RFC 3339 time with a zone; write it as 2026-03-02T07:00:00Z")
    date, minute, second, fraction, zone = parts.groups()
    leap = second == "60"  # RFC 3339 allows it; it is the first moment of the next minute to a clock without it
    zone = "+00:00" if zone in "Zz" else zone.replace(" ", "+")
    stamp = f"{date}T{minute}:{'59' if leap else second}.{((fraction or '') + '000000')[:6]}{zone}"
    try:
        us = parse_iso(stamp) + (SECOND if leap else 0)
    except (ValueError, OverflowError) as error:
        raise ValueError(f"{text[:40]!r} is no time that exists ({error})") from error
    if not EARLIEST <= us < LATEST:
        raise ValueError(f"{text[:40]!r} lies outside the years 2000 to 2099")
    return us


_DATE_TIME = {"type": "string", "format": "date-time"}

Moment = Annotated[int, BeforeValidator(parse_moment), WithJsonSchema(_DATE_TIME)]
"""A time in a request: RFC 3339 with a zone; microseconds UTC inside."""

Time = Annotated[str, WithJsonSchema(_DATE_TIME)]
"""A time in an answer: RFC 3339, UTC, milliseconds."""

Ratio = Annotated[float, Field(ge=0, le=1)]


class Strict(BaseModel):
    """Parameters of a request: an unknown one is an error, so that no slip of the pen goes unseen."""

    model_config = ConfigDict(extra="forbid")


class Model(BaseModel):
    """A part of an answer.

    Answers are described by their models and not made with them, so these are built, 3 MB, only when somebody asks for
    the description. (What a request is checked with is built at the start: pydantic's building at the first use is not
    safe among threads.)
    """

    model_config = ConfigDict(extra="forbid", defer_build=True)


class SawPath(BaseModel):
    """The saw in an address."""

    saw: str = Field(description="Name of the saw, as in `/api/v1/saws`.", pattern=r"^[a-z0-9-]{1,32}$")


class PeriodQuery(Strict):
    """The period that is asked for."""

    from_: Moment | None = Field(None, alias="from", description="Start, RFC 3339; default: start of the site's today.")
    to: Moment | None = Field(None, description="End, RFC 3339, itself not included; default: now.")


class PageQuery(PeriodQuery):
    """A page of a list in order of time."""

    limit: int = Field(100, ge=1, le=1000, description="Rows on a page. A CSV without it holds the whole period.")
    cursor: str | None = Field(None, max_length=100, description="`next` of the page before.")
    format: Literal["json", "csv"] | None = Field(None, description="Overrides the Accept header.")


class RunRecord(Model):
    """Motor start to motor stop."""

    kind: Literal["run"]
    saw: str
    start: Time
    end: Time | None = Field(description="Null while it runs.")
    inrush_amps: float | None
    stop_seconds: float | None
    cuts: int


class CutRecord(Model):
    """One passage of the blade through material."""

    kind: Literal["cut"]
    saw: str
    start: Time
    end: Time | None = Field(description="Null while the blade is in the material.")
    direction: Direction
    mean_amps: float
    peak_amps: float
    idle_amps: float
    lock_moved: bool
    station: int | None


class DoorVisitRecord(Model):
    """The blade door was open."""

    kind: Literal["door_visit"]
    saw: str
    start: Time
    end: Time | None
    current_seen: bool
    before_stop: bool


class ConflictRecord(Model):
    """Signals contradict each other, or the motor cannot start."""

    kind: Literal["conflict"]
    saw: str
    start: Time
    end: Time | None
    what: str


class GapRecord(Model):
    """A silence of the box."""

    kind: Literal["gap"]
    saw: str
    start: Time
    end: Time | None


def problem(description: str) -> dict[str, Any]:
    """Description of an error response."""
    schema = {"$ref": "#/components/schemas/ProblemDetails"}
    return {"description": description, "content": {MEDIA_TYPE: {"schema": schema}}}


def _operation_id(*, name: str, **_: str) -> str:
    return name


_DESCRIBED = ContextVar("described", default=False)


@contextmanager
def described() -> Iterator[None]:
    """In the block subjects describe themselves as OpenAPI wants it; serving needs none of that."""
    token = _DESCRIBED.set(True)
    try:
        yield
    finally:
        _DESCRIBED.reset(token)


def subject(name: str) -> APIBlueprint:
    """A blueprint for one subject, with the errors that every address can answer."""
    errors: ResponseDict = {
        "400": problem("A parameter cannot be used."),
        "404": problem("There is no such thing."),
        "default": problem("Any other error."),
    }
    told = _DESCRIBED.get()
    return APIBlueprint(f"api_{name}", "api", abp_responses=errors, operation_id_callback=_operation_id, doc_ui=told)


def also_csv(description: str) -> ConfigDict:
    """Configuration of a model whose answer also comes as CSV."""
    extra = {"description": description, "content": {"text/csv": {"schema": {"type": "string"}}}}
    # `openapi_extra` is flask-openapi3's key; pydantic's type does not know it.
    return cast("ConfigDict", {"extra": "forbid", "openapi_extra": extra})


class Page(Model):
    """A page of a list in order of time."""

    model_config = also_csv("A page; the CSV holds the whole period unless it has a limit.")

    saw: str
    from_: Time = Field(alias="from")
    to: Time
    next: str | None = Field(description="Cursor of the page after this, null on the last one.")
