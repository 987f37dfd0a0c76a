"""People, what opens the door for them, who knocked too often, and the trail of what they changed."""

from __future__ import annotations

import re
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

from sqlalchemy import Column, and_, delete, func, insert, or_, select, update

from collector.book import audit as trail
from collector.book.attempts import AttemptBook, knock, unlock, use_first_code
from collector.book.audit_trail import TrailBook
from collector.book.badges import BadgeBook, badge, end
from collector.book.engine import reading, writing
from collector.book.entries import BookError
from collector.book.person import Person, as_person, person
from collector.words import later

if TYPE_CHECKING:
    from collections.abc import Iterable

    from sqlalchemy import Connection, Engine

    from collector.book.audit import Entry
    from collector.book.book import Book


@dataclass(frozen=True, slots=True)
class Erased:
    """What stands in place of a name, and in how many texts that people wrote it still stands."""

    alias: str
    mentions: int


class NameTakenError(BookError):
    """There is somebody of that name."""


class LastOwnerError(BookError):
    """Nobody would be left who may let people in."""


def login(name: str) -> str:
    """The form of a name by which it is told from others."""
    return " ".join(name.split()).casefold()


class PeopleBook(BadgeBook, AttemptBook, TrailBook):
    """All of it in an open book; safe to use from many threads."""

    def __init__(self, book: Book) -> None:
        self._engine: Engine = book.engine

    def people(self) -> list[Person]:
        """Everybody, in order of their names; those erased too."""
        with reading(self._engine) as connection:
            return [as_person(r) for r in connection.execute(select(person).order_by(person.c.login))]

    def named(self, name: str) -> Person | None:
        """The person of that name, whoever wrote it in which case."""
        with reading(self._engine) as connection:
            row = connection.execute(select(person).where(person.c.login == login(name))).one_or_none()
        return None if row is None else as_person(row)

    def person(self, number: int) -> Person | None:
        """The person of that number."""
        with reading(self._engine) as connection:
            row = connection.execute(select(person).where(person.c.id == number)).one_or_none()
        return None if row is None else as_person(row)

    def owned(self) -> bool:
        """Whether there is an owner who can sign in."""
        with reading(self._engine) as connection:
            return _owners(connection) > 0

    def add_person(
        self, name: str, role: str, now_us: int, *, password: str | None = None, pin: str | None = None
    ) -> Person:
        """Enters somebody; ``password`` and ``pin`` are hashes.

        Raises:
            NameTakenError: there is somebody of that name, or was.
        """
        with writing(self._engine) as connection:
            made = _enter(connection, name, role, now_us, password, pin)
            trail.mention(person=made.id, role=role)
            return made

    def first_owner(self, name: str, password: str, now_us: int, code: str, entry: Entry) -> Person | None:
        """Enters the first owner, if the code is the one that stands and nobody was quicker; None: it is not.

        Args:
            name: of the person.
            password: its hash.
            now_us: the present.
            code: digest of the code.
            entry: for the audit trail.

        Raises:
            NameTakenError: there is somebody of that name.
        """
        with writing(self._engine) as connection:
            if not use_first_code(connection, code, now_us):
                return None
            made = _enter(connection, name, "owner", now_us, password, None)
            trail.put(connection, entry)
            return made

    def change_person(
        self,
        number: int,
        now_us: int,
        *,
        keep_badge: int | None = None,
        columns: Iterable[Column[Any]] = (),
        **fields: Any,
    ) -> None:
        """Changes columns of a person; whoever is shut out or has a new password or PIN loses all sessions and phones.

        Args:
            number: of the person.
            now_us: the present.
            keep_badge: the one that does not end.
            columns: those that hold names of people; a new name is put there, too, so that it can be erased one day.
            fields: values by column.

        Raises:
            LastOwnerError: it would leave no owner who can sign in.
            NameTakenError: the new name is another's.
        """
        with writing(self._engine) as connection:
            trail.mention(person=number)
            owners = _owners(connection)
            if "name" in fields:
                fields["login"] = login(fields["name"])
                _check_free(connection, fields["login"], number)
                before = connection.execute(select(person.c.name).where(person.c.id == number)).scalar()
                for column in columns:
                    connection.execute(
                        update(column.table).where(column == before).values({column.name: fields["name"]})
                    )
            connection.execute(update(person).where(person.c.id == number).values(fields))
            _check_owner(connection, owners)
            if fields.keys() & {"active", "password", "pin"}:
                end(connection, and_(badge.c.person_id == number, badge.c.id != (keep_badge or 0)), now_us)
                unlock(connection, number)

    def erase(self, number: int, now_us: int, columns: Iterable[Column[Any]], texts: Iterable[Column[Any]]) -> Erased:
        """Puts a name without meaning in place of a person's, wherever the book says it, and ends all badges.

        Args:
            number: of the person.
            now_us: the present.
            columns: all columns that hold names of people.
            texts: columns of what people wrote with their own hands, in which the name is only counted.

        Returns:
            What stands in place of the name now, and in how many texts it is still written.

        Raises:
            BookError: there is no such person.
            LastOwnerError: it is the last owner.
        """
        with writing(self._engine) as connection:
            row = connection.execute(select(person).where(person.c.id == number)).one_or_none()
            if row is None:
                raise BookError(later("there is no person {number}"), number=number)
            trail.mention(person=number)
            owners = _owners(connection)
            alias = f"person {number}"
            gone = {"password": None, "pin": None, "active": False, "erased_us": now_us}
            connection.execute(
                update(person).where(person.c.id == number).values(name=alias, login=f"#{number}", **gone)
            )
            _check_owner(connection, owners)
            for column in columns:
                connection.execute(update(column.table).where(column == row.name).values({column.name: alias}))
            end(connection, badge.c.person_id == number, now_us)
            connection.execute(update(badge).where(badge.c.person_id == number).values(title=""))
            word = re.compile(rf"(?<!\w){re.escape(row.name)}(?!\w)", re.IGNORECASE)
            for column in (trail.audit.c.detail, trail.audit.c.through, badge.c.title):  # such as "phone of …"
                for key, text in _holding(connection, column, word):
                    values = {column.name: word.sub(alias, text)[: getattr(column.type, "length", None)]}
                    connection.execute(update(column.table).where(column.table.c.id == key).values(values))
            mentions = sum(len(_holding(connection, column, word)) for column in texts)
            return Erased(alias, mentions)

    def tidy(self, *, ended_before_us: int, noted_before_us: int, knocked_before_us: int, refusals: int) -> None:
        """Forgets badges that ended, entries of the audit trail and attempts that are older than that.

        Of the entries about refused attempts no more than ``refusals`` stay, the newest.
        """
        unseen = badge.c.seen_us + badge.c.idle_us < ended_before_us
        over = or_(badge.c.ended_us < ended_before_us, badge.c.until_us < ended_before_us, unseen)
        t = trail.audit.c
        refused = t.did.like("was refused%")
        newest = select(t.id).where(refused).order_by(t.id.desc()).offset(refusals).limit(1).scalar_subquery()
        with writing(self._engine, noted=False) as connection:
            doomed = select(badge.c.id).where(over).scalar_subquery()
            connection.execute(delete(badge).where(badge.c.parent_id.in_(doomed)))
            connection.execute(delete(badge).where(over))
            connection.execute(delete(trail.audit).where(trail.audit.c.at_us < noted_before_us))
            connection.execute(delete(trail.audit).where(refused, t.id <= newest))
            connection.execute(delete(knock).where(knock.c.last_us < knocked_before_us))


def _holding(connection: Connection, column: Column[Any], word: re.Pattern[str]) -> list[tuple[Any, str]]:
    """Keys and texts of the rows whose text has the word."""
    (key, *_) = column.table.primary_key.columns
    rows = connection.execute(select(key, column).where(column.is_not(None))).all()
    return [(number, text) for number, text in rows if word.search(text)]


def _check_free(connection: Connection, wanted: str, number: int = 0) -> None:
    query = select(person.c.id).where(person.c.login == wanted, person.c.id != number)
    if connection.execute(query).scalar() is not None:
        raise NameTakenError(later("there is somebody of that name; names must tell people apart"))


def _enter(connection: Connection, name: str, role: str, now_us: int, password: str | None, pin: str | None) -> Person:
    _check_free(connection, login(name))
    values = {"name": name, "role": role, "password": password, "pin": pin, "active": True, "made_us": now_us}
    key = connection.execute(insert(person).values(login=login(name), **values)).inserted_primary_key
    assert key is not None
    return Person(id=int(key[0]), **values)  # type: ignore[arg-type]


def _owners(connection: Connection) -> int:
    able = and_(person.c.role == "owner", person.c.active.is_(True), person.c.password.is_not(None))
    return int(connection.execute(select(func.count()).where(able)).scalar_one())


def _check_owner(connection: Connection, before: int) -> None:
    if before and not _owners(connection):
        raise LastOwnerError(later("an owner with a password must be left; make somebody else owner first"))
