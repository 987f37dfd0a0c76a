"""Plotly's script, served from the installed ``plotly`` package: no request leaves the network."""

from __future__ import annotations

import gzip
from functools import lru_cache
from importlib import metadata, util
from pathlib import Path

from flask import Blueprint, Response, abort, request

YEAR_SECONDS = 365 * 24 * 3600


@lru_cache(maxsize=1)
def version() -> str:
    """Version of the installed plotly package, part of the script's address: browsers keep it for a year."""
    return metadata.version("plotly")


def bundle() -> Path:
    """Path of plotly.min.js in the installed package, which is not imported: only its script is wanted.

    Raises:
        FileNotFoundError: plotly is not installed.
    """
    spec = util.find_spec("plotly")
    if spec is None or spec.origin is None:
        raise FileNotFoundError("the plotly package is not installed: pip install plotly")
    return Path(spec.origin).parent / "package_data" / "plotly.min.js"


@lru_cache(maxsize=1)
def _compressed() -> bytes:
    return gzip.compress(bundle().read_bytes(), 6)


def plotly_pages() -> Blueprint:
    """``/plotly/{version}/plotly.min.js``, compressed where the browser takes it."""
    pages = Blueprint("plotly", __name__)

    @pages.get("/plotly/<wanted>/plotly.min.js")
    def script(wanted: str) -> Response:
        if wanted != version():
            abort(404)
        packed = request.accept_encodings.quality("gzip") > 0
        answer = Response(_compressed() if packed else bundle().read_bytes(), mimetype="text/javascript")
        if packed:
            answer.headers["Content-Encoding"] = "gzip"
        answer.headers["Vary"] = "Accept-Encoding"
        answer.cache_control.public = True
        answer.cache_control.max_age = YEAR_SECONDS
        answer.cache_control.immutable = True
        return answer

    return pages
