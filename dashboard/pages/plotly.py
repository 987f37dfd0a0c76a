"""Plotly's script, served from the installed ``plotly`` package: no request leaves the network."""

from __future__ import annotations

import zlib
from functools import lru_cache
from importlib import metadata, util
from pathlib import Path
from typing import TYPE_CHECKING

from flask import Blueprint, Response, abort, request, send_file

if TYPE_CHECKING:
    from collections.abc import Iterator

_PART = 64 << 10
_GZIP = 16 + zlib.MAX_WBITS

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


def _compressed() -> Iterator[bytes]:
    """The script in gzip's form, part by part: a browser asks once a year; kept whole it took 2 MB for good."""
    packer = zlib.compressobj(6, wbits=_GZIP)
    with bundle().open("rb") as file:
        while part := file.read(_PART):
            yield packer.compress(part)
    yield packer.flush()


def plotly_pages() -> Blueprint:
    """``/plotly/{version}/plotly.min.js``, compressed where the browser takes it."""
    pages = Blueprint("plotly", __name__)

    @pages.get("/plotly/<wanted>/plotly.min.js")
    def script(wanted: str) -> Response:
        if wanted != version():
            abort(404)
        packed = request.accept_encodings.quality("gzip") > 0
        if packed:
            answer = Response(_compressed(), mimetype="text/javascript")
            answer.headers["Content-Encoding"] = "gzip"
        else:
            answer = send_file(bundle(), mimetype="text/javascript", max_age=YEAR_SECONDS)
        answer.headers["Vary"] = "Accept-Encoding"
        answer.cache_control.public = True
        answer.cache_control.max_age = YEAR_SECONDS
        answer.cache_control.immutable = True
        return answer

    return pages
