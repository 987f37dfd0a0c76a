"""Tells at the terminal what is being done."""

from __future__ import annotations

from api.tongues.say import gettext


def tell(said: str, /, **values: object) -> None:
    """A line at once, in the terminal's language."""
    print(gettext(said, **values), flush=True)
