"""The audit trail: who changed what and when, written in the transaction of the change itself.

Whoever lets a person or a program in says so with `speaking`; from then on every write transaction of the book in
this thread takes one entry with it (`collector.book.engine.writing`). A change that is rolled back leaves none.
"""

from __future__ import annotations

import json
from contextlib import contextmanager
from contextvars import ContextVar
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING, Any

from sqlalchemy import BigInteger, Column, Index, Integer, String, Table, Text, insert

from collector.book.schema import metadata

if TYPE_CHECKING:
    from collections.abc import Iterator, Mapping

    from sqlalchemy import Connection

audit = Table(
    "audit",
    metadata,
    Column("id", Integer, primary_key=True),
    Column("at_us", BigInteger, nullable=False),
    Column("who", String(64), nullable=False),
    Column("role", String(32), nullable=False),
    Column("through", String(100), nullable=False),  # which session, device, token or program
    Column("did", String(200), nullable=False),
    Column("detail", Text, nullable=False),
    Index(None, "at_us"),
    Index(None, "who"),
)


@dataclass(frozen=True, slots=True)
class Entry:
    """One entry: ``did`` is the act in few words, ``detail`` what was sent as `packed`, without secrets."""

    at_us: int
    who: str
    role: str
    through: str
    did: str
    detail: str = ""
    id: int = 0


_speaker: ContextVar[Entry | None] = ContextVar("speaker", default=None)


def speak(entry: Entry | None) -> None:
    """From now on whatever this thread writes into the book is said by this one; None: by the house itself."""
    _speaker.set(entry)


@contextmanager
def speaking(entry: Entry) -> Iterator[None]:
    """What is written in the block is said by this one."""
    before = _speaker.get()
    _speaker.set(entry)
    try:
        yield
    finally:
        _speaker.set(before)


def mention(**more: object) -> None:
    """Adds to the entry of whoever speaks what the request itself does not say, such as whose session was ended.

    Numbers of people and not their names, which change and are erased. What was sent stands before what is added;
    what is None is left out.
    """
    entry = _speaker.get()
    if entry is not None:
        known = {key: value for key, value in more.items() if value is not None}
        _speaker.set(replace(entry, detail=packed(known | unpacked(entry.detail))))


_VALUE_MOST, _VALUES_MOST = 300, 30


def packed(said: Mapping[str, object]) -> str:
    """What was said as JSON that is never torn: a long value is cut, and of very many the first are kept."""

    def short(value: object) -> object:
        text = json.dumps(value, ensure_ascii=False)
        return value if len(text) <= _VALUE_MOST else f"{text[:_VALUE_MOST]}…"

    kept = {key[:64]: short(value) for key, value in list(said.items())[:_VALUES_MOST]}
    # Half of a surrogate pair can be sent in JSON, and no database takes it.
    text = json.dumps(kept, ensure_ascii=False, separators=(",", ":")) if kept else ""
    return text.encode("utf-8", "replace").decode()


def unpacked(detail: str) -> dict[str, Any]:
    """What `packed` made of it; nothing where it is no such thing."""
    try:
        said = json.loads(detail or "{}")
    except ValueError:
        return {}
    return said if isinstance(said, dict) else {}


def note(connection: Connection) -> None:
    """Add the entry of whoever speaks to the transaction, if anybody does."""
    entry = _speaker.get()
    if entry is not None:
        put(connection, entry)


def put(connection: Connection, entry: Entry) -> None:
    """Add an entry to the transaction."""
    connection.execute(insert(audit).values(
        at_us=entry.at_us, who=entry.who[:64], role=entry.role[:32], through=entry.through[:100],
        did=entry.did[:200], detail=entry.detail,
    ))  # fmt: skip
