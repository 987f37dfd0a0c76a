"""The language of each request, and what templates and scripts need for it."""

from __future__ import annotations

from typing import TYPE_CHECKING

from babel import Locale
from flask import Blueprint, Response, abort, current_app, redirect, request
from markupsafe import Markup, escape

from api.http.gate import gate_of
from api.tongues import catalogue, say
from api.tongues.manner import Manner, manner
from dashboard.pages.plotly import YEAR_SECONDS

if TYPE_CHECKING:
    from flask import Flask
    from werkzeug.wrappers import Response as Answer

    from api.tongues.manner import Show

COOKIE = "kerfbook_language"


def add_speech(app: Flask, show: Show, zone: str) -> None:
    """Every request is answered in its language: a choice kept in a cookie, the workshop's, the browser's, English.

    Templates get ``_``, ``ngettext`` and ``trans`` blocks (values as ``%(name)s``), ``speech_html`` for the ``html``
    element, ``speech_script`` for the head, before any other script, and ``speech_inches``, whether lengths are inches.

    Args:
        app: the application.
        show: what the workshop settled.
        zone: its IANA time zone.
    """
    app.jinja_env.add_extension("jinja2.ext.i18n")
    app.jinja_env.policies["ext.i18n.trimmed"] = True
    app.jinja_env.install_gettext_callables(  # type: ignore[attr-defined]
        lambda text: catalogue.translations(say.present().language).gettext(text),
        lambda one, many, n: catalogue.translations(say.present().language).ngettext(one, many, n),
        newstyle=True,
    )
    app.jinja_env.globals.update(
        speech_html=_html, speech_script=_script, speech_choices=_choices, speech_inches=lambda: say.present().inches
    )

    @app.before_request
    def choose() -> None:
        kept = request.cookies.get(COOKIE)
        wanted = (
            [kept]
            if kept
            else []
            if show.language
            else [tag.split("-")[0] for tag in request.accept_languages.values()]
        )
        say.speak(manner(show, zone, next((code for code in wanted if code in catalogue.languages()), None)))

    @app.after_request
    def tell(answer: Response) -> Response:
        if answer.mimetype == "text/html":
            answer.headers["Content-Language"] = say.present().tag
            answer.vary.update(("Cookie", "Accept-Language"))
        return answer

    @app.teardown_request
    def fall_silent(_error: BaseException | None) -> None:
        say.speak(Manner())

    app.register_blueprint(_pages())


def _pages() -> Blueprint:
    pages = Blueprint("speech", __name__)

    @pages.get("/words/<language>/<digest>.js")
    def words(language: str, digest: str) -> Response:
        if language not in catalogue.languages() or digest != catalogue.digest(language):
            abort(404)
        answer = Response(catalogue.script(language), mimetype="text/javascript")
        answer.cache_control.public = True
        answer.cache_control.max_age = YEAR_SECONDS
        answer.cache_control.immutable = True
        return answer

    @pages.get("/language/<language>")
    def speak(language: str) -> Answer:
        if language not in catalogue.languages():
            abort(404)
        answer = redirect("/")
        answer.set_cookie(
            COOKIE, language, max_age=YEAR_SECONDS, samesite="Lax", httponly=True, secure=gate_of(current_app).secure
        )
        return answer

    return pages


def _html() -> Markup:
    """Attributes of the ``html`` element; ``desk/speech.js`` reads them. Weekdays count from Sunday as in a browser."""
    m = say.present()
    measures = "inch" if m.inches else "metric"
    first = (m.first_day + 1) % 7
    return Markup('lang="{}" data-hours="{}" data-measures="{}" data-first-day="{}"').format(
        m.tag, m.hours, measures, first
    )


def _script() -> Markup:
    language = say.present().language
    if language == catalogue.SOURCE:
        return Markup()
    return Markup('<script src="/words/{}/{}.js"></script>').format(language, catalogue.digest(language))


def _choices() -> list[tuple[str, Markup, bool]]:
    """Code and own name of every language, and whether it is the present one."""
    now = say.present().language
    return [
        (code, escape(Locale.parse(code).get_display_name(code) or code), code == now) for code in catalogue.languages()
    ]
