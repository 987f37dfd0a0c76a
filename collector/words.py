"""Marks sentences for translation; whoever shows them translates them (`api.tongues`), this room knows no languages."""

from __future__ import annotations

from typing import Protocol


class Word(str):
    """A text of ours. Among the values of a sentence it is translated as the sentence is; any other text is a name."""

    __slots__ = ()


def later(text: str) -> Word:
    """A sentence that is translated where it is shown."""
    return Word(text)


class Told(Exception):  # noqa: N818 - its kinds are errors
    """What people are told went wrong: in English, as a log has it, and in parts, for their own language.

    Attributes:
        said: the sentence, with the names of its values in braces.
        values: what stands in them: names and numbers as they are, a `Word`, or another `Told`.
    """

    def __init__(self, said: str = "", /, **values: object) -> None:
        super().__init__(said.format(**values) if values else said)
        self.said, self.values = said, values


class Tell(Protocol):
    """Whoever is told what is being done: a sentence, and what stands in its braces."""

    def __call__(self, said: str, /, **values: object) -> None:
        """Tell it."""


def tell_nobody(said: str, /, **values: object) -> None:
    """Nobody listens."""
