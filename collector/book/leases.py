"""Leases: which process may write to a saw, or do what only one process at a time may do.

A process that wants leases is a **holder**: a row with a number that is never used twice and a time until which it
lives, by the database's clock. It renews that one row however many leases it has. A **lease** is a name and the
number of its holder; it is free where no such holder is left. So whoever takes one first buries holders whose time
is over, and a holder that was buried stays dead: it begins again under a new number and takes what is free by then.

The number is the fence. Whoever writes under a lease names, in the same transaction, the number under which it was
taken (`Leases.check`), and the transaction fails where that holder's time is over. A burial waits for transactions
that have passed the fence, and so nobody works on what an earlier owner has still to commit.
"""

from __future__ import annotations

import logging
import os
import secrets
import socket
import threading
from contextlib import suppress
from pathlib import Path
from typing import TYPE_CHECKING, Any

from sqlalchemy import (
    BigInteger,
    Column,
    Integer,
    String,
    Table,
    Text,
    cast,
    delete,
    func,
    insert,
    literal_column,
    or_,
    select,
    text,
    update,
)
from sqlalchemy.exc import SQLAlchemyError

from collector.book import schema
from collector.book.engine import reading, writing
from collector.book.entries import BookError
from collector.words import later

if TYPE_CHECKING:
    from collections.abc import Collection, Iterator

    from sqlalchemy import Connection, Engine

log = logging.getLogger(__name__)

SECONDS = {"postgresql": 15.0, "sqlite": 60.0}
"""How long a holder lives without renewing. On SQLite all holders are on one computer, where a dead one is known at
once, and each renewal is a write to what may be a memory card."""

_LOCK = 0x6C656173  # PostgreSQL advisory lock, "leas": those who take leases queue
_AT_ONCE = 1000  # names in one statement
_SECOND = 1_000_000
_LONGEST_US = 600 * _SECOND

holder = Table(
    "holder",
    schema.metadata,
    Column("id", BigInteger, primary_key=True, autoincrement=False),
    Column("title", String(100), nullable=False),  # for people
    Column("place", Text, nullable=False),  # what computer, so that it can be asked whether the process lives
    Column("pid", Integer, nullable=False),
    Column("until_us", BigInteger, nullable=False),
)

lease = Table(
    "lease",
    schema.metadata,
    Column("name", String(200), primary_key=True),
    Column("holder_id", BigInteger, nullable=False),  # of nobody who is there: free
)

_CLOCK: dict[str, Any] = {
    # Not now(): it stands still within a transaction, which may have waited.
    "postgresql": cast(func.extract("epoch", func.clock_timestamp()) * _SECOND, BigInteger),
    "sqlite": literal_column("CAST((julianday('now') - 2440587.5) * 86400000000.0 AS INTEGER)", BigInteger),
}


class LeaseLostError(BookError):
    """Whoever writes was silent for too long, and somebody else may do its work by now."""


class Leases:
    """What one process holds. All methods may be called from any thread.

    Args:
        engine: of the book.
        title: who this is, for people.
        seconds: how long it lives without renewing; None: as `SECONDS` says.
        place: of the process; None: found out.
    """

    def __init__(self, engine: Engine, title: str, *, seconds: float | None = None, place: str | None = None) -> None:
        self._engine = engine
        self._dialect = engine.dialect.name
        self._title = title[:100]
        self.seconds = SECONDS[self._dialect] if seconds is None else seconds
        self._place = _here() if place is None else place
        self._now = _CLOCK[self._dialect]
        self._busy = threading.Lock()  # taking and giving back; never wanted by `check`, which holds locks of the book
        self._state = threading.Lock()
        self._number: int | None = None
        self._held: set[str] = set()
        self._stop = threading.Event()
        self._thread: threading.Thread | None = None

    @property
    def number(self) -> int | None:
        """The number under which this process holds leases at present; None: under none."""
        return self._number

    def held(self) -> set[str]:
        """The leases held, as far as is known without asking the database."""
        with self._state:
            return set(self._held)

    def take(self, names: Collection[str]) -> set[str]:
        """Takes the leases that are free; returns those of the names that are now held.

        Raises:
            sqlalchemy.exc.SQLAlchemyError: the database failed; nothing was taken.
        """
        wanted = set(names)
        if wanted <= self.held():
            return wanted
        with self._busy:
            with writing(self._engine, durable=False) as connection:
                if self._dialect == "postgresql":
                    connection.execute(text("SELECT pg_advisory_xact_lock(:lock)"), {"lock": _LOCK})
                self._bury(connection)
                number = self._living(connection)
                got: set[str] = set()
                for some in _parts(sorted(wanted)):
                    connection.execute(self._insert(), [{"name": name, "holder_id": 0} for name in some])
                    t = lease.c
                    free = t.holder_id.not_in(select(holder.c.id))
                    connection.execute(update(lease).where(t.name.in_(some), free).values(holder_id=number))
                    mine = select(t.name).where(t.name.in_(some), t.holder_id == number)
                    got.update(connection.execute(mine).scalars())
            with self._state:  # before another thread asks: it would come under a second number
                if number != self._number:
                    self._number, self._held = number, set()
                self._held |= got
        return got

    def release(self, names: Collection[str]) -> None:
        """Gives leases back at once.

        Raises:
            sqlalchemy.exc.SQLAlchemyError: the database failed; they are held still.
        """
        with self._busy:
            mine = sorted(self.held() & set(names))
            with writing(self._engine, durable=False) as connection:
                for some in _parts(mine):
                    t = lease.c
                    own = update(lease).where(t.name.in_(some), t.holder_id == (self._number or 0))
                    connection.execute(own.values(holder_id=0))
            with self._state:
                self._held -= set(mine)

    def forget(self, names: Collection[str]) -> None:
        """Removes leases that nobody else holds: what they stand for is no more.

        Raises:
            sqlalchemy.exc.SQLAlchemyError: the database failed; they are there still.
        """
        t = lease.c
        with self._busy:
            with writing(self._engine, durable=False) as connection:
                living = select(holder.c.id).where(holder.c.until_us > self._now, holder.c.id != (self._number or 0))
                connection.execute(delete(lease).where(t.name.in_(list(names)), t.holder_id.not_in(living)))
            with self._state:
                self._held -= set(names)

    def ownerless(self, prefix: str) -> list[str]:
        """Leases whose name begins so and that nobody holds: neither now nor, perhaps, for a moment more."""
        t = lease.c
        with reading(self._engine) as connection:
            dead = self._dead(connection)
            living = select(holder.c.id).where(holder.c.until_us > self._now, holder.c.id.not_in(dead))
            query = select(t.name).where(t.name.startswith(prefix, autoescape=True), t.holder_id.not_in(living))
            return list(connection.execute(query.order_by(t.name)).scalars())

    def check(self, number: int, connection: Connection) -> None:
        """The fence: lets a transaction go on only while this holder lives, and burials wait until it is over.

        Args:
            number: under which the leases were held when the work began.
            connection: in the transaction.

        Raises:
            LeaseLostError: its time is over; roll back, and look at the stores afresh.
        """
        t = holder.c
        query = select(t.id).where(t.id == number, t.until_us > self._now)
        # A lock that renewals do not wait for, and burials do; SQLite has only one writer anyhow.
        alive = connection.execute(query.with_for_update(read=True, key_share=True)).first()
        if alive is None:
            self._lose(number)
            raise LeaseLostError(later("this process was silent for too long; another may work on its saws"))

    def start(self) -> None:
        """Renews in a thread of its own until `close`."""
        self._thread = threading.Thread(target=self._run, name="kerfbook-leases", daemon=True)
        self._thread.start()

    def renew(self) -> bool:
        """Lives on; False: it was too late, and nothing is held any more.

        Raises:
            sqlalchemy.exc.SQLAlchemyError: the database failed.
        """
        number = self._number
        if number is None:
            return True
        t = holder.c
        with writing(self._engine, durable=False) as connection:
            alive = update(holder).where(t.id == number, t.until_us > self._now).values(until_us=self._until())
            if connection.execute(alive).rowcount:
                return True
        self._lose(number)
        return False

    def close(self) -> None:
        """Gives everything back at once; a database that fails lets it run out."""
        self._stop.set()
        if self._thread is not None:
            self._thread.join(5)
        number = self._number
        if number is not None:
            with suppress(SQLAlchemyError), writing(self._engine, durable=False) as connection:
                connection.execute(delete(holder).where(holder.c.id == number))
            self._lose(number)

    def _run(self) -> None:
        failing = False
        while not self._stop.wait(self.seconds / 4):
            try:
                if not self.renew():
                    log.warning("this process stood still for too long; others may have taken over its saws")
                failing = False
            except Exception:  # a database that is away for a while must not end the renewals
                if not failing:
                    log.exception("the leases could not be renewed; trying again")
                failing = True

    def _living(self, connection: Connection) -> int:
        """The number of this process's holder; a new one where there was none or it is dead."""
        number = self._number
        if number is not None and connection.execute(select(holder.c.id).where(holder.c.id == number)).first():
            return number
        number = 1 + secrets.randbits(62)
        row = {"id": number, "title": self._title, "place": self._place, "pid": os.getpid()}
        connection.execute(insert(holder).values(**row, until_us=self._until()))
        return number

    def _bury(self, connection: Connection) -> None:
        """Removes holders whose time is over, and those of this computer whose process is no more."""
        t = holder.c
        # Much later than any renewal could say: the database's clock was set back since.
        never = self._now + _LONGEST_US
        connection.execute(delete(holder).where(or_(t.until_us <= self._now, t.until_us > never)))
        if dead := self._dead(connection):
            connection.execute(delete(holder).where(t.id.in_(dead)))

    def _dead(self, connection: Connection) -> list[int]:
        """Holders of this computer whose process is no more, though their time is not over."""
        near = connection.execute(select(holder.c.id, holder.c.pid).where(holder.c.place == self._place)).all()
        return [number for number, pid in near if not _runs(pid)]

    def _until(self) -> Any:
        return self._now + round(self.seconds * _SECOND)

    def _insert(self) -> Any:
        if self._dialect == "postgresql":
            from sqlalchemy.dialects import postgresql  # noqa: PLC0415 (2.5 MB that a shop on SQLite keeps)

            return postgresql.insert(lease).on_conflict_do_nothing()
        return insert(lease).prefix_with("OR IGNORE")

    def _lose(self, number: int) -> None:
        with self._state:
            if number == self._number:
                self._number, self._held = None, set()


def _parts(names: list[str]) -> Iterator[list[str]]:
    for i in range(0, len(names), _AT_ONCE):
        yield names[i : i + _AT_ONCE]


def _here() -> str:
    """This computer as long as it is not started again; containers that see each other's processes are one."""
    marks = [socket.gethostname()]
    with suppress(OSError):
        marks.append(Path("/proc/sys/kernel/random/boot_id").read_text("ascii").strip())
        marks.append(str(Path("/proc/self/ns/pid").readlink()))
    return " ".join(marks)


def _runs(pid: int) -> bool:
    try:
        os.kill(pid, 0)
    except ProcessLookupError:
        return False
    except OSError:
        return True
    return True
