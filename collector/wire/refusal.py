"""Refusal: a message that is not taken, and why."""

from __future__ import annotations

from dataclasses import dataclass
from typing import NoReturn

from collector.words import Told, later


class Refusal(Told):
    """A message is refused whole.

    Attributes:
        code: a short slug to count by, such as ``not-json``.
        reason: a sentence for the installer, in English: what is wrong, where, and what to do.

    Codes of this package:
        the topic: ``bad-topic``
        the payload: ``too-large``, ``too-many-records``, ``empty``, ``not-senml``, ``not-json``, ``not-cbor``
        a record: ``bad-record``, ``bad-text``, ``bad-number``, ``bad-value``, ``bad-version``, ``bad-name``,
            ``unknown-field``, ``relative-time``, ``time-out-of-range``
        its meaning: ``bad-box``, ``unknown-signal``, ``bad-unit``, ``current-out-of-range``,
            ``station-out-of-range``
    """

    def __init__(self, code: str, said: str, /, **values: object) -> None:
        super().__init__(said, **values)
        self.code = code
        self.reason = super().__str__()

    def __str__(self) -> str:
        return f"{self.code}: {self.reason}"


@dataclass(frozen=True, slots=True)
class Place:
    """Where in a pack something is wrong."""

    index: int
    of: int

    def refuse(self, code: str, field: str | None, said: str, /, **values: object) -> NoReturn:
        """Raise the `Refusal` of this record and field; records are counted from 1."""
        what, n = Told(said, **values), self.index + 1
        if field is None:
            raise Refusal(code, later("record {n} of {m}: {what}"), n=n, m=self.of, what=what)
        raise Refusal(code, later("record {n} of {m}, field '{field}': {what}"), n=n, m=self.of, field=field, what=what)


def show(value: object) -> str | Told:
    """A value from outside in a few characters, whatever it is."""
    if isinstance(value, int) and abs(value) >= 1 << 128:
        return later("a number of more than 38 digits")
    if isinstance(value, list):
        return Told(later("a list of {n}"), n=len(value))
    if isinstance(value, dict):
        return Told(later("a map of {n}"), n=len(value))
    text = repr(value)
    return text if len(text) <= 60 else text[:57] + "..."
