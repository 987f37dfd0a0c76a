"""Who says something: whoever is signed in. Only a visitor of the demo names itself, with the request."""

from __future__ import annotations

from typing import Annotated

from flask import g, has_request_context
from pydantic import BeforeValidator, Field, StringConstraints

from api.answers.tasks import ROLES


def _name(given: object) -> object:
    guest = g.get("guest") if has_request_context() else None
    if guest is None:
        return given
    return guest.name if given is None or not guest.free else given


def _role(given: object) -> object:
    guest = g.get("guest") if has_request_context() else None
    spoken = "operator" if given is None else given
    return guest.role if guest is not None and not guest.free and guest.role in ROLES else spoken


Who = Annotated[
    str,
    BeforeValidator(_name),
    StringConstraints(strip_whitespace=True, min_length=1, max_length=64, pattern=r"^[^\x00-\x1f\x7f]+$"),
]
"""Name of the person who says it, whatever the request says."""

RoleOf = BeforeValidator(_role)
"""Role of the person who says it, likewise."""

SIGNED_IN = Field(
    default_factory=lambda: None,
    validate_default=True,
    description="Whoever is signed in, whatever is sent; may be left out.",
)
"""For fields of these kinds."""
