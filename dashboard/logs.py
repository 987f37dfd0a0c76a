"""The log on stderr: lines for people, or JSON objects, one a line, always with the same keys; and no secrets in it.

``KERFBOOK_LOG`` is ``text`` or ``json``, ``KERFBOOK_LOG_LEVEL`` one of `LEVELS`; both come from the environment,
because they hold before a configuration is read, for every command. The level is that of the program's own rooms:
libraries stay at warning, for some of them tell statements with their values.
"""

from __future__ import annotations

import datetime as dt
import logging
import re
import sys
from typing import TYPE_CHECKING, TextIO

import orjson

from api.request_id import current
from api.tongues.say import gettext

if TYPE_CHECKING:
    from collections.abc import Iterable, Mapping

KEYS = ("time", "level", "logger", "message", "request", "error")
"""Of every line in JSON; ``request`` and ``error`` (a traceback) are null where there is none."""

FORMS = ("text", "json")
LEVELS = ("debug", "info", "warning", "error")
ROOMS = ("api", "collector", "dashboard", "simulator")
HIDDEN = "(hidden)"

_SHORTEST = 4
_PATTERNS = (
    re.compile(r"(?<=://)[^\s/@]+(?=@)"),  # user:password@ in an address
    re.compile(r"(?i)(?<=bearer )[^\s,;\"']+"),
    re.compile(r"(?i)(?<=cookie: )[^\r\n\"']+"),
    re.compile(r"(?i)(?<=password=)[^\s,;&\"']+"),
    re.compile(r"(?i)(?<=token=)[^\s,;&\"']+"),
)


class Veil:
    """Hides secrets that are known, and what looks like one."""

    def __init__(self) -> None:
        self._known: tuple[str, ...] = ()

    def hide(self, secrets: Iterable[str]) -> None:
        """Hide these from now on; very short ones would hide half of every text, and protect nothing anyway."""
        known = {*self._known, *(s for s in secrets if len(s) >= _SHORTEST)}
        self._known = tuple(sorted(known, key=lambda s: (-len(s), s)))

    def over(self, text: str) -> str:
        """The text without them."""
        for secret in self._known:
            text = text.replace(secret, HIDDEN)
        for pattern in _PATTERNS:
            text = pattern.sub(HIDDEN, text)
        return text


VEIL = Veil()
"""Of this process: a log is read by more people than a configuration."""


class _Text(logging.Formatter):
    def format(self, record: logging.LogRecord) -> str:
        name = current.get()
        return VEIL.over(super().format(record)) + (f" [request {name}]" if name else "")


class _Json(logging.Formatter):
    def format(self, record: logging.LogRecord) -> str:
        error = self.formatException(record.exc_info) if record.exc_info else None
        values = (
            dt.datetime.fromtimestamp(record.created, dt.UTC).isoformat(timespec="milliseconds").replace("+00:00", "Z"),
            record.levelname.lower(),
            record.name,
            VEIL.over(record.getMessage()),
            current.get(),
            None if error is None else VEIL.over(error),
        )
        return orjson.dumps(dict(zip(KEYS, values, strict=True))).decode()


def begin(environment: Mapping[str, str], stream: TextIO | None = None) -> None:
    """Log to stderr, or a stream, as the environment says.

    Raises:
        ValueError: one of its words is none that is known.
    """
    form = environment.get("KERFBOOK_LOG", "") or "text"
    level = environment.get("KERFBOOK_LOG_LEVEL", "") or "warning"
    if form not in FORMS:
        raise ValueError(_unknown("KERFBOOK_LOG", form, FORMS))
    if level not in LEVELS:
        raise ValueError(_unknown("KERFBOOK_LOG_LEVEL", level, LEVELS))
    handler = logging.StreamHandler(stream or sys.stderr)
    handler.setFormatter(_Json() if form == "json" else _Text("%(asctime)s %(levelname)s %(name)s: %(message)s"))
    logging.basicConfig(level=logging.WARNING, handlers=[handler], force=stream is not None)
    for room in ROOMS:
        logging.getLogger(room).setLevel(level.upper())
    # A queue of one request is no news; a full one shows in the answers' times.
    logging.getLogger("waitress.queue").setLevel(logging.ERROR)


def _unknown(name: str, found: str, words: Iterable[str]) -> str:
    return gettext("{name} is {found}; it can be {words}", name=name, found=repr(found), words=", ".join(words))
