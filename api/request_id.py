"""A name for every request, by which what it caused is found in the log; answers carry it as X-Request-Id."""

from __future__ import annotations

import logging
import re
import secrets
import time
from contextvars import ContextVar
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from flask import Flask, Response

log = logging.getLogger(__name__)

HEADER = "X-Request-Id"
current: ContextVar[str | None] = ContextVar("request_id", default=None)
"""Of the request that this thread answers."""

_TAKEN = re.compile(r"[A-Za-z0-9-]{8,64}")


def add_request_ids(app: Flask) -> None:
    """Name each request, by the sender's name for it or a new one, and tell it in the answer and the log.

    An address may hold a secret (a calendar's does), so the log names the rule that it fits and never the address.
    """
    from flask import g, request  # noqa: PLC0415 (every command's log asks for the name, and few commands serve)

    def begin() -> None:
        given = request.headers.get(HEADER, "")
        name = given if _TAKEN.fullmatch(given) else secrets.token_hex(8)
        g.request_id, g.began = name, time.monotonic()
        current.set(name)

    def end(answer: Response) -> Response:
        if "request_id" in g:
            answer.headers[HEADER] = g.request_id
            rule = request.url_rule.rule if request.url_rule is not None else "(no such address)"
            took = (time.monotonic() - g.began) * 1000
            log.info("%s %s: %d in %.0f ms", request.method, rule, answer.status_code, took)
        return answer

    def forget(_error: BaseException | None) -> None:
        current.set(None)

    app.before_request(begin)
    app.after_request(end)
    app.teardown_request(forget)
