"""Texts in the language of whoever is spoken to.

`speaking` settles for whom; without it everything is English. Values stand in braces: ``gettext("{n} cuts", n=3)``.
A value that is a text stands there as it is, for it is a name; what `later` marked, and an error that can be told, is
translated.
"""

from __future__ import annotations

from contextlib import contextmanager
from contextvars import ContextVar
from typing import TYPE_CHECKING

from api.tongues.catalogue import translations
from api.tongues.manner import Manner
from collector.words import Told, Word, later

if TYPE_CHECKING:
    from collections.abc import Iterator

__all__ = ["gettext", "known", "later", "ngettext", "present", "reason", "speak", "speaking"]

_MANNER: ContextVar[Manner] = ContextVar("kerfbook_manner", default=Manner())  # noqa: B039 - frozen


def present() -> Manner:
    """The manner in which things are shown now."""
    return _MANNER.get()


def speak(manner: Manner) -> None:
    """From here on in this thread, as a web server does at the beginning of each request."""
    _MANNER.set(manner)


@contextmanager
def speaking(manner: Manner) -> Iterator[None]:
    """For a while, such as one letter."""
    token = _MANNER.set(manner)
    try:
        yield
    finally:
        _MANNER.reset(token)


def gettext(text: str, /, **values: object) -> str:
    """A text, with its values."""
    found = translations(_MANNER.get().language).gettext(text) if text else ""
    return found.format(**_shown(values)) if values else found


def ngettext(one: str, many: str, n: int, /, **values: object) -> str:
    """A text that depends on a number; ``{n}`` in it is the number."""
    return translations(_MANNER.get().language).ngettext(one, many, n).format(n=n, **_shown(values))


def reason(error: BaseException) -> str:
    """What went wrong, as far as it is ours to say; what a system or a database says stays in its words."""
    if isinstance(error, Told):
        return gettext(error.said, **error.values)
    if isinstance(error, OSError) and error.filename is not None:
        return f"{error.filename}: {error.strerror}"
    return str(error)


def _shown(values: dict[str, object]) -> dict[str, object]:
    return {name: _word(value) for name, value in values.items()}


def _word(value: object) -> object:
    if isinstance(value, Word):
        return gettext(value)
    return reason(value) if isinstance(value, Told) else value


def known(text: str) -> str:
    """A text that people may have written themselves, such as a task's title: translated where it is one of ours."""
    return gettext(text)
