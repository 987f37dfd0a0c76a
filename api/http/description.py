"""The API's description (OpenAPI 3.1), made from its code when somebody asks for it."""

from __future__ import annotations

import importlib.metadata
import threading
from typing import TYPE_CHECKING

import orjson
from flask_openapi3.models.info import Info
from flask_openapi3.openapi import OpenAPI

from api.http.fields import described
from api.http.problems import ProblemDetails, invalid

if TYPE_CHECKING:
    from collections.abc import Callable, Iterable

    from flask_openapi3.blueprint import APIBlueprint


def application() -> OpenAPI:
    """A Flask application of the API, with nothing in it."""
    return OpenAPI(
        "api",
        info=Info(
            title="Kerfbook",
            version=importlib.metadata.version("kerfbook"),
            description="What the saws of a site did. It informs, it protects nobody: no safety device.",
        ),
        validation_error_status="400",
        validation_error_model=ProblemDetails,
        validation_error_callback=invalid,
        security_schemes={},
        doc_ui=False,
        static_folder=None,
    )


class Description:
    """The description of subjects, made at the first question: few ask, and its models take some 5 MB.

    Args:
        parts: makes the subjects and their prefixes; they are made once more, to be described and then dropped.
    """

    def __init__(self, parts: Callable[[], Iterable[tuple[APIBlueprint, str]]]) -> None:
        self._parts = parts
        self._lock = threading.Lock()
        self._made: bytes | None = None

    def __call__(self) -> orjson.Fragment:
        """The description as JSON."""
        with self._lock:
            if self._made is None:
                self._made = orjson.dumps(self._make())
            return orjson.Fragment(self._made)

    def _make(self) -> dict[str, object]:
        app = application()
        with described():
            for subject, prefix in self._parts():
                before = dict(app.paths)
                app.register_api(subject, **({"url_prefix": prefix} if prefix else {}))
                for path, item in before.items():  # an address that two subjects share is not the later one's alone
                    later = {field: value for field, value in app.paths[path] if value is not None}
                    app.paths[path] = item.model_copy(update=later)
        document: dict[str, object] = app.api_doc
        return document
