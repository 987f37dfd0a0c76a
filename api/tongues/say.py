"""Texts in the language of whoever is spoken to.

`speaking` settles for whom; without it everything is English. Values stand in braces: ``gettext("{n} cuts", n=3)``.
"""

from __future__ import annotations

from contextlib import contextmanager
from contextvars import ContextVar
from typing import TYPE_CHECKING

from api.tongues.catalogue import translations
from api.tongues.manner import Manner

if TYPE_CHECKING:
    from collections.abc import Iterator

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
    found = translations(_MANNER.get().language).gettext(text)
    return found.format(**values) if values else found


def ngettext(one: str, many: str, n: int, /, **values: object) -> str:
    """A text that depends on a number; ``{n}`` in it is the number."""
    return translations(_MANNER.get().language).ngettext(one, many, n).format(n=n, **values)


def known(text: str) -> str:
    """A text that people may have written themselves, such as a task's title: translated where it is one of ours."""
    return gettext(text) if text else text


def later(text: str) -> str:
    """Marks a text that is translated where it is shown, such as one in a constant."""
    return text
