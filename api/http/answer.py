"""How an answer leaves: JSON or CSV, with an entity tag or not to be stored."""

from __future__ import annotations

import csv
import io
from typing import TYPE_CHECKING, Any

import orjson
from flask import Response, request

if TYPE_CHECKING:
    from collections.abc import Iterable, Iterator, Mapping, Sequence


def live(payload: Mapping[str, Any]) -> Response:
    """JSON that is true only now: not to be stored."""
    response = Response(orjson.dumps(payload), mimetype="application/json")
    response.headers["Cache-Control"] = "no-store"
    return response


def settled(payload: Mapping[str, Any] | orjson.Fragment) -> Response:
    """JSON that often stays the same: with a tag of its content, so that asking again costs no transfer.

    Late data can change any past, so a store must ask each time (``no-cache``).
    """
    response = Response(orjson.dumps(payload), mimetype="application/json")
    response.headers["Cache-Control"] = "no-cache"
    response.headers["Vary"] = "Accept"
    response.add_etag()
    response.make_conditional(request.environ)
    return response


def wants_csv(chosen: str | None) -> bool:
    """Whether the request asks for CSV: by its ``format`` parameter, else by its Accept header."""
    if chosen is not None:
        return chosen == "csv"
    return request.accept_mimetypes.best_match(["application/json", "text/csv"], "application/json") == "text/csv"


def as_csv(name: str, columns: Sequence[str], rows: Iterable[Mapping[str, Any]]) -> Response:
    """CSV after RFC 4180 with a header row, sent while it is made; null is an empty field."""

    def lines() -> Iterator[str]:
        buffer = io.StringIO()
        writer = csv.writer(buffer)
        writer.writerow(columns)
        for row in rows:
            writer.writerow(["" if (v := row.get(c)) is None else _cell(v) for c in columns])
            if buffer.tell() > 64_000:
                yield buffer.getvalue()
                buffer.seek(0)
                buffer.truncate()
        yield buffer.getvalue()

    response = Response(lines(), content_type="text/csv; charset=utf-8; header=present")
    response.headers["Content-Disposition"] = f'attachment; filename="{name}.csv"'
    response.headers["Cache-Control"] = "no-store"
    response.headers["Vary"] = "Accept"
    return response


def _cell(value: object) -> object:
    return str(value).lower() if isinstance(value, bool) else value
