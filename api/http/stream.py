"""Changes as they happen, as server-sent events."""

from flask import Response
from flask_openapi3.blueprint import APIBlueprint

from api.http.fields import problem, subject
from api.http.problems import Problem
from api.live import Live, TooManyStreamsError
from api.tongues.say import gettext

DESCRIPTION = """\
Event `saw`: its `id` is the book's revision, its data one saw of `/wall` without `ribbon`. Every saw is sent
on connecting (also on coming back with `Last-Event-ID`: an entry is complete, so nothing between is missing),
then whenever a saw's entry changes, also when it falls silent. Event `tick`, every 5 s: `{"now": time}`."""


def blueprint(live: Live) -> APIBlueprint:
    """`/stream`."""
    bp = subject("stream")
    described = {"description": DESCRIPTION, "content": {"text/event-stream": {"schema": {"type": "string"}}}}

    @bp.get("/stream", responses={200: described, 503: problem("Too many streams are open.")})
    def stream() -> Response:
        """Changes of the saws' entries, as server-sent events."""
        try:
            subscriber = live.subscribe()
        except TooManyStreamsError as error:
            detail = gettext("As many screens listen as this server serves.")
            raise Problem("too-many-streams", detail, headers={"Retry-After": "60"}) from error
        response = Response(live.events(subscriber), content_type="text/event-stream; charset=utf-8")
        response.call_on_close(lambda: live.leave(subscriber))  # also where the first byte was never asked for
        response.headers["Cache-Control"] = "no-store"
        response.headers["X-Accel-Buffering"] = "no"  # a proxy in front must not collect events
        return response

    return bp
