"""Somebody with an account."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

from sqlalchemy import BigInteger, Boolean, Column, Integer, String, Table

from collector.book.schema import metadata

person = Table(
    "person",
    metadata,
    Column("id", Integer, primary_key=True),
    Column("name", String(64), nullable=False),
    Column("login", String(64), nullable=False, unique=True),  # the name with case folded
    Column("role", String(32), nullable=False),
    Column("password", String(256)),  # salted scrypt; null: none
    Column("pin", String(256)),  # the same, only good on a paired device
    Column("active", Boolean, nullable=False),
    Column("made_us", BigInteger, nullable=False),
    Column("erased_us", BigInteger),
)


@dataclass(frozen=True, slots=True)
class Person:
    """Somebody with an account; ``password`` and ``pin`` are salted hashes or None."""

    id: int
    name: str
    role: str
    password: str | None
    pin: str | None
    active: bool
    made_us: int
    erased_us: int | None = None


_FIELDS = ("id", "name", "role", "password", "pin", "active", "made_us", "erased_us")


def as_person(row: Any, prefix: str = "") -> Person:
    """The person in a row whose columns have their names, with something before each."""
    return Person(**{f: getattr(row, f"{prefix}{f}") for f in _FIELDS})
