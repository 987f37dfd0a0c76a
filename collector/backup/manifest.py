"""What a backup says of itself: ``manifest.json`` in the archive. Pure."""

from __future__ import annotations

import json
from dataclasses import asdict, dataclass, field
from typing import Any, Final, Self

from collector.facts import iso
from collector.words import Told, later

FORMAT: Final = "kerfbook backup 1"
MANIFEST: Final = "manifest.json"
BOOK: Final = "book.sqlite"
TRACE: Final = "trace.sqlite"
SETTINGS: Final = "kerfbook.toml"


class BackupError(Told):
    """A backup cannot be made or put back; the message says what is wrong and what to do."""


@dataclass(frozen=True, slots=True)
class Member:
    """A file in the archive: its bytes, and their checksum."""

    bytes: int
    sha256: str


@dataclass(frozen=True, slots=True)
class Readings:
    """What the trace holds of a saw: how many readings, and the time of the first and the last [µs UTC]."""

    readings: int
    first_us: int
    last_us: int


@dataclass(frozen=True, slots=True)
class Manifest:
    """What is in the archive.

    Attributes:
        at_us: the instant of the backup, microseconds UTC: what was committed before is in it, nothing else.
        site: name of the site.
        program: version of Kerfbook that made it.
        schema: schema version of the book.
        revision: of the book.
        members: the other files of the archive.
        rows: how many rows each table of the book holds.
        trace: what the trace holds, by saw.
        held_us: for how long writers of the book had to wait.
        left_out: files that the settings name and that are not in the archive: passwords and keys.
    """

    at_us: int
    site: str
    program: str
    schema: str
    revision: int
    members: dict[str, Member]
    rows: dict[str, int]
    trace: dict[str, Readings]
    held_us: int
    left_out: tuple[str, ...] = field(default=())

    def to_json(self) -> bytes:
        """As it stands in the archive."""
        return json.dumps({"format": FORMAT, "at": iso(self.at_us), **asdict(self)}, indent=2).encode() + b"\n"

    @classmethod
    def from_json(cls, text: bytes) -> Self:
        """The inverse of `to_json`.

        Raises:
            BackupError: it is none, or of a newer program.
        """
        try:
            given: dict[str, Any] = json.loads(text)
            form = given.pop("format")
            if form != FORMAT:
                raise BackupError(
                    later("this program reads {known}, and the manifest says {found}; update Kerfbook"),
                    known=repr(FORMAT),
                    found=repr(form),
                )
            given.pop("at")
            given["members"] = {name: Member(**one) for name, one in given["members"].items()}
            given["trace"] = {saw: Readings(**one) for saw, one in given["trace"].items()}
            given["left_out"] = tuple(given["left_out"])
            return cls(**given)
        except (ValueError, KeyError, TypeError, AttributeError) as error:
            raise BackupError(
                later("{name} is none of ours: {error}; take another backup"), name=MANIFEST, error=repr(error)
            ) from error
