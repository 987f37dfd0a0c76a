"""What a person is shown who asks for a page that there is not, or that failed: where she is, and the way on."""

from __future__ import annotations

from typing import TYPE_CHECKING

from flask import make_response, render_template, request

from api.tongues.say import gettext

if TYPE_CHECKING:
    from collections.abc import Callable

    from flask import Response
    from werkzeug.exceptions import HTTPException

    from dashboard.pages.screen import Screen


def lost(screen: Screen) -> Callable[[HTTPException], Response | HTTPException]:
    """Gives the answer to an error at a page's address."""

    def page(error: HTTPException) -> Response | HTTPException:
        if error.response is not None or error.code is None or error.code < 400:
            return error  # a redirect, or an answer that is finished
        said = {
            404: gettext("There is nothing at {address}.", address=request.path),
            405: gettext("{address} does not take {method}.", address=request.path, method=request.method),
            500: gettext("An error that nobody foresaw; it is in the server's log."),
        }.get(error.code, gettext("The server answers {status}.", status=error.code))
        answer = make_response(render_template("lost.html", screen=screen, said=said), error.code)
        answer.headers.extend((k, v) for k, v in error.get_headers() if k.lower() == "allow")
        return answer

    return page
