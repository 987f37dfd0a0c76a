"""Lists in order of time, a page at a time or as one CSV."""

from __future__ import annotations

import re
from typing import TYPE_CHECKING, Any
from urllib.parse import urlencode

from flask import Response, request

from api.http.answer import as_csv, settled, wants_csv
from api.http.asked import period_of, saw_of
from api.http.problems import Problem
from api.tongues.say import gettext
from collector.book.rows import order
from collector.facts import as_record, iso

if TYPE_CHECKING:
    from collections.abc import Iterator, Sequence

    from api.desk import Desk
    from api.http.fields import PageQuery
    from collector.facts import Fact

LONGEST_DAYS = 3660
_CURSOR = re.compile(r"(-?\d{1,18})~([a-z_]{1,32})~([a-z0-9_-]{0,64})", re.ASCII)


def fact_list(
    desk: Desk, name: str, query: PageQuery, kinds: Sequence[str] | None, *, key: str, columns: Sequence[str]
) -> Response:
    """Facts of a saw that overlap a period, in order of start: a page of JSON, or CSV.

    Args:
        desk: the stores.
        name: the saw.
        query: period, limit, cursor and form.
        kinds: kinds of facts, None for all.
        key: name of the list in the answer.
        columns: columns of the CSV.

    Raises:
        Problem: no such saw, a bad period, or a cursor that this API never gave.
    """
    saw = saw_of(desk, name)
    start, end = period_of(desk, query, LONGEST_DAYS)
    found = _from(desk, saw.name, start, end, kinds=kinds, cursor=query.cursor)
    if wants_csv(query.format):
        limited = "limit" in query.model_fields_set
        rows = (as_record(f) for i, f in enumerate(found) if not limited or i < query.limit)
        return as_csv(f"{saw.name}-{key}", columns, rows)
    page: list[Fact] = []
    following: Fact | None = None
    for fact in found:
        if len(page) == query.limit:
            following = fact
            break
        page.append(fact)
    cursor = None if following is None else _cursor(page[-1])
    payload: dict[str, Any] = {
        "saw": saw.name,
        "from": iso(start),
        "to": iso(end),
        key: [as_record(f) for f in page],
        "next": cursor,
    }
    response = settled(payload)
    if cursor is not None:
        # Both ends of the period are fixed in the link: "now" must not move from page to page.
        fixed = [(k, v) for k, v in request.args.items(multi=True) if k not in {"from", "to", "cursor"}]
        link = urlencode([("from", iso(start) or ""), ("to", iso(end) or ""), *fixed, ("cursor", cursor)])
        response.headers["Link"] = f'<{request.path}?{link}>; rel="next"'
    return response


def _cursor(fact: Fact) -> str:
    return "~".join(map(str, order(fact)))


def _from(
    desk: Desk, saw: str, start: int, end: int, *, kinds: Sequence[str] | None, cursor: str | None
) -> Iterator[Fact]:
    if cursor is None:
        return desk.facts(saw, start, end, kinds)
    parts = _CURSOR.fullmatch(cursor)
    if parts is None:
        raise Problem(
            "bad-parameter", gettext("The cursor is none that this API gave; take it from `next` of the page before.")
        )
    after = (int(parts[1]), parts[2], parts[3])
    return (f for f in desk.facts(saw, max(start, after[0]), end, kinds) if order(f) > after)
