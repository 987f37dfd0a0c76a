"""What is wrong with a configuration, said so that a person can put it right at once."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

from api.tongues.say import gettext, later

if TYPE_CHECKING:
    from collections.abc import Sequence


_WORDS = (later("found"), later("expected"), later("hint"))


@dataclass(frozen=True, slots=True)
class Fault:
    """One fault.

    Attributes:
        file: the file's name as it was given.
        line: line in the file, from 1.
        where: table and key, such as ``[[saws]] 2: name``.
        found: what stands there.
        expected: what may stand there.
        hint: what to do, or empty.
    """

    file: str
    line: int
    where: str
    found: str
    expected: str
    hint: str = ""

    def __str__(self) -> str:
        said = zip(_WORDS, (self.found, self.expected, self.hint), strict=True)
        width = max(len(gettext(word)) for word in _WORDS)
        head = gettext("{file}, line {n}: {where}", file=self.file, n=self.line, where=self.where)
        return "\n".join(
            [head, *(f"  {gettext(word):<{width}}  {text}" for word, text in said if text or word != "hint")]
        )


class ConfigError(Exception):
    """A configuration that is refused, with all its faults in order of line."""

    def __init__(self, faults: Sequence[Fault]) -> None:
        self.faults = tuple(sorted(faults, key=lambda fault: fault.line))
        super().__init__("\n".join(str(fault) for fault in self.faults))
