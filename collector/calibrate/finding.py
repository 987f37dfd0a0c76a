"""What a trial says, as sentences whose values stand apart from them."""

from __future__ import annotations

from dataclasses import dataclass, field
from enum import StrEnum
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from collections.abc import Mapping


class Level(StrEnum):
    """How much a finding matters."""

    GOOD = "good"
    NOTE = "note"
    ATTENTION = "attention"
    FAULT = "fault"


@dataclass(frozen=True, slots=True)
class Amps:
    """A current in a finding [mA]; as text in English: ``3.25 A``."""

    ma: float

    def __str__(self) -> str:
        return f"{self.ma / 1000:.2f} A"


@dataclass(frozen=True, slots=True)
class Figure:
    """A number in a finding, with so many decimal places."""

    value: float
    places: int

    def __str__(self) -> str:
        return f"{self.value:.{self.places}f}"


Value = int | Amps | Figure | tuple[Amps, ...]
"""What a finding's sentence speaks of; kept apart from it, so that both can be told in the reader's language."""


@dataclass(frozen=True, slots=True)
class Finding:
    """One thing that the trial says.

    Attributes:
        code: for programs.
        level: how much it matters.
        said: what was seen, with the names of values in braces.
        what_to_do: about it.
        values: those of ``said``.
    """

    code: str
    level: Level
    said: str
    what_to_do: str = ""
    values: Mapping[str, Value] = field(default_factory=dict)

    @property
    def text(self) -> str:
        """What was seen, in English."""
        return self.said.format(
            **{k: ", ".join(map(str, v)) if isinstance(v, tuple) else v for k, v in self.values.items()}
        )
