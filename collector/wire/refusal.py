"""Refusal: a message that is not taken, and why."""

from __future__ import annotations

from dataclasses import dataclass
from typing import NoReturn


class Refusal(Exception):  # noqa: N818 - a refusal is an ordinary outcome, told to the installer in these words
    """A message is refused whole.

    Attributes:
        code: a short slug to count by, such as ``not-json``; docs and screens may translate it.
        reason: a sentence for the installer: what is wrong, where, and what to do.

    Codes of this package:
        the topic: ``bad-topic``
        the payload: ``too-large``, ``too-many-records``, ``empty``, ``not-senml``, ``not-json``, ``not-cbor``
        a record: ``bad-record``, ``bad-text``, ``bad-number``, ``bad-value``, ``bad-version``, ``bad-name``,
            ``unknown-field``, ``relative-time``, ``time-out-of-range``
        its meaning: ``bad-box``, ``unknown-signal``, ``bad-unit``, ``current-out-of-range``,
            ``station-out-of-range``
    """

    def __init__(self, code: str, reason: str) -> None:
        super().__init__(code, reason)
        self.code = code
        self.reason = reason

    def __str__(self) -> str:
        return f"{self.code}: {self.reason}"


@dataclass(frozen=True, slots=True)
class Place:
    """Where in a pack something is wrong."""

    index: int
    of: int

    def refuse(self, code: str, field: str | None, what: str) -> NoReturn:
        """Raise the `Refusal` of this record and field; records are counted from 1."""
        where = f"record {self.index + 1} of {self.of}" + ("" if field is None else f", field '{field}'")
        raise Refusal(code, f"{where}: {what}")


def show(value: object) -> str:
    """A value from outside in a few characters, whatever it is."""
    if isinstance(value, int) and abs(value) >= 1 << 128:
        return "a number of more than 38 digits"
    if isinstance(value, list | dict):
        return f"a {'list' if isinstance(value, list) else 'map'} of {len(value)}"
    text = repr(value)
    return text if len(text) <= 60 else text[:57] + "..."
