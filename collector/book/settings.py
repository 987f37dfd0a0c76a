"""Detector settings of each saw, with the date from which they hold: append-only, the newest of a date counts."""

from __future__ import annotations

import json
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

from sqlalchemy import BigInteger, Column, ForeignKey, Index, Integer, String, Table, Text, insert, select

from collector.book.engine import reading
from collector.book.schema import metadata, saw
from collector.detect.settings import SETTABLE

if TYPE_CHECKING:
    from collections.abc import Mapping

    from collector.book.book import Book
    from collector.detect.settings import DetectSettings

detect_settings = Table(
    "detect_settings",
    metadata,
    Column("id", Integer, primary_key=True),
    Column("saw_id", ForeignKey(saw.c.id), nullable=False),
    Column("valid_from_us", BigInteger, nullable=False),
    Column("changes", Text, nullable=False),  # JSON: the settings that differ from the configured ones
    Column("seen", Text, nullable=False),  # JSON: what they were taken from
    Column("who", String(64), nullable=False),
    Column("said_us", BigInteger, nullable=False),
    Index(None, "saw_id", "valid_from_us"),
)


@dataclass(frozen=True, slots=True)
class SawSettings:
    """Settings of one saw's detector: ``values`` by the names of `DetectSettings`, in force from ``valid_from`` (µs).

    ``seen`` is what they were taken from, as a JSON value.
    """

    saw: str
    valid_from: int
    values: Mapping[str, int]
    seen: Any
    who: str
    at: int

    def over(self, base: DetectSettings) -> DetectSettings:
        """These settings, and the configured ones where these say nothing."""
        return base.with_set({name: value for name, value in self.values.items() if name in SETTABLE})


class SettingsHistory:
    """The settings of the saws in a book.

    Args:
        book: the book, open.
    """

    def __init__(self, book: Book) -> None:
        self._book = book

    def add(self, new: SawSettings) -> None:
        """Writes a version; those before it stay.

        Raises:
            BookError: the saw is not registered.
            ValueError: there is no setting of such a name.
        """
        if unknown := set(new.values) - set(SETTABLE):
            raise ValueError(f"the detector has no setting {sorted(unknown)[0]!r}")
        with self._book.saying(new.saw) as (connection, saw_id):
            row = {
                "saw_id": saw_id,
                "valid_from_us": new.valid_from,
                "changes": json.dumps(dict(new.values), sort_keys=True),
                "seen": json.dumps(new.seen),
                "who": new.who,
                "said_us": new.at,
            }
            connection.execute(insert(detect_settings).values(row))

    def versions(self, name: str) -> list[SawSettings]:
        """All versions of a saw, the one in force last first."""
        t = detect_settings.c
        query = (
            select(detect_settings)
            .join_from(detect_settings, saw, t.saw_id == saw.c.id)
            .where(saw.c.name == name)
            .order_by(t.valid_from_us.desc(), t.id.desc())
        )
        with reading(self._book.engine) as connection:
            return [
                SawSettings(
                    name, r.valid_from_us, json.loads(r.changes), json.loads(r.seen), r.who, r.said_us
                )
                for r in connection.execute(query)
            ]  # fmt: skip

    def newest(self, name: str) -> SawSettings | None:
        """The version of the latest date; None: nobody calibrated the saw."""
        found = self.versions(name)
        return found[0] if found else None

    def of(self, name: str, base: DetectSettings) -> DetectSettings:
        """Today's settings of a saw's detector: what was calibrated last, over the configured ones."""
        newest = self.newest(name)
        return base if newest is None else newest.over(base)
