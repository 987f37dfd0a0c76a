"""The book: what the collector derived and what is known of each saw, in one relational database.

One process's collector writes facts; any number of threads and processes read at the same time and each read sees
one moment. People's entries are written by others, into tables of their own.
"""

from __future__ import annotations

import json
from collections import Counter
from contextlib import contextmanager
from typing import TYPE_CHECKING, Any, Self

import numpy as np
from sqlalchemy import Connection, Engine, bindparam, func, insert, select, update

from collector.book import marks, schema
from collector.book.commits import changed, write_box, write_facts, write_refusals, write_standing
from collector.book.engine import open_engine, reading, writing
from collector.book.entries import (
    BoxEntry,
    BoxStatus,
    Checkpoint,
    NowEntry,
    Plan,
    RefusalEntry,
    SawCommit,
    SawEntry,
)
from collector.book.holding import alone, hold
from collector.book.messages import MessageBook
from collector.book.outline import outline
from collector.book.overlap import overlapping
from collector.book.rests import RestBook
from collector.book.rows import FROM_ROW, TABLES, order
from collector.book.sums import strike
from collector.book.upgrade import upgrade
from collector.facts import Cut, Fact, Run, State
from collector.marks import corrected_facts

if TYPE_CHECKING:
    from collections.abc import Callable, Iterable, Iterator, Sequence
    from types import TracebackType

    from numpy.typing import NDArray

    from collector.marks import Mark

_PER_SAW = (schema.checkpoint, schema.now, schema.box)  # tables with exactly one row a saw

_TOUCH = update(schema.saw).where(schema.saw.c.id == bindparam("saw")).values(revision=bindparam("value"))
_NEXT_REVISION = update(schema.revision).values(value=schema.revision.c.value + 1)


class Book(RestBook, MessageBook):
    """An open book.

    Args:
        url: database URL; ``sqlite:////path/book.db`` or a PostgreSQL one. An empty or older database is brought to
            this program's schema.

    Raises:
        BookError: the URL is wrong, or a newer version of the program wrote the book.
    """

    def __init__(self, url: str) -> None:
        super().__init__(open_engine(url))
        try:
            upgrade(self._engine)
        except BaseException:
            self._engine.dispose()
            raise

    @property
    def engine(self) -> Engine:
        """How its database is reached: for the parts of the book that have a module of their own."""
        return self._engine

    def close(self) -> None:
        """Closes the connections; an open transaction of another thread fails."""
        self._engine.dispose()

    def __enter__(self) -> Self:
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        self.close()

    @contextmanager
    def saying(self, saw: str, about: tuple[int, int] | None = None) -> Iterator[tuple[Connection, int]]:
        """A durable write transaction for what a person says about a saw, and the saw's key; readers learn of it.

        ``about``: from when to when facts count differently by what was said.

        Raises:
            BookError: the saw is not registered.
        """
        with writing(self._engine) as connection:
            saw_id = self._id(connection, saw)
            hold(connection, {saw_id})
            yield connection, saw_id
            connection.execute(_NEXT_REVISION)
            value = connection.execute(select(schema.revision.c.value)).scalar_one()
            connection.execute(_TOUCH, {"saw": saw_id, "value": value})
            if about is not None:
                strike(connection, [(saw_id, *about)])

    # Saws

    def open_saws(self, saws: Iterable[SawEntry]) -> None:
        """Registers the saws; a known one keeps what is known of it and takes the new title."""
        with writing(self._engine) as connection:
            alone(connection)
            t = schema.saw.c
            known = {name: (saw_id, title) for saw_id, name, title in connection.execute(select(t.id, t.name, t.title))}
            wanted = {entry.name: entry.title or entry.name for entry in saws}
            renamed = {
                known[name][0]: title for name, title in wanted.items() if name in known and known[name][1] != title
            }
            hold(connection, set(renamed))
            for saw_id, title in renamed.items():
                connection.execute(update(schema.saw).where(t.id == saw_id).values(title=title))
            for name in (name for name in wanted if name not in known):
                added = insert(schema.saw).values(name=name, title=wanted[name], revision=0)
                (saw_id,) = connection.execute(added).inserted_primary_key or (None,)
                for table in _PER_SAW:
                    connection.execute(insert(table).values(saw_id=saw_id))

    def saws(self) -> list[SawEntry]:
        """All registered saws, in order of their names."""
        query = select(schema.saw.c.name, schema.saw.c.title).order_by(schema.saw.c.name)
        with reading(self._engine) as connection:
            return [SawEntry(*row) for row in connection.execute(query)]

    # Writing what was derived

    def commit(
        self,
        batch: Sequence[SawCommit],
        refusals: Sequence[RefusalEntry] = (),
        boxes: Sequence[BoxStatus] = (),
        *,
        fence: Callable[[Connection], None] | None = None,
    ) -> None:
        """Writes one group in one transaction: all of it, or on an exception nothing.

        Entries of one saw take effect in the order of the batch, provided that their fact periods are disjoint.
        Survives the death of the process; a loss of power may take the newest facts, which the trace gives again,
        but no refusal.

        Args:
            batch: what changed for each saw.
            refusals: what was refused.
            boxes: what boxes said of themselves.
            fence: raises where others may write to these saws by now (`collector.book.leases.Leases.check`).

        Raises:
            BookError: a saw is not registered, or the fence is closed.
            sqlalchemy.exc.SQLAlchemyError: the database failed; nothing was written.
        """
        if not (batch or refusals or boxes):
            return
        with writing(self._engine, durable=bool(refusals)) as connection:
            entries = [(self._id(connection, entry.saw), entry) for entry in batch]
            touched = {saw_id for saw_id, _ in entries} | {self._id(connection, box.saw) for box in boxes}
            hold(connection, touched)
            if fence is not None:
                fence(connection)
            write_facts(connection, entries)
            write_standing(connection, entries)
            for status in boxes:
                write_box(connection, self._id(connection, status.saw), status)
            if refusals:
                write_refusals(connection, refusals)
            # Last: on PostgreSQL this row is where collectors queue, so it is locked for the shortest time.
            connection.execute(_NEXT_REVISION)
            value = connection.execute(select(schema.revision.c.value)).scalar_one()
            if touched:
                connection.execute(_TOUCH, [{"saw": saw_id, "value": value} for saw_id in sorted(touched)])
            strike(connection, [change for saw_id, entry in entries for change in changed(saw_id, entry)])

    def commit_if_same(self, entry: SawCommit, before: Sequence[Fact]) -> bool:
        """Writes an entry that replaces a period, if the period's detected facts are still those of ``before``.

        For one who derives again beside a running collector: whatever that one changed meanwhile stays.

        Returns:
            whether it was written; not, too, where late readings wait to be derived in the period.

        Raises:
            BookError: the saw is not registered.
            ValueError: the entry replaces nothing, or has no end.
        """
        low, high = entry.replace_from_us, entry.replace_to_us
        if low is None or high is None:
            raise ValueError("an entry that replaces a closed period is wanted")
        with writing(self._engine) as connection:
            saw_id = self._id(connection, entry.saw)
            hold(connection, {saw_id})
            found = self._detected(connection, entry.saw, low, high, None)
            t = schema.dirty.c
            waits = select(t.id).where(t.saw_id == saw_id, t.from_us < high, t.to_us >= low).limit(1)
            if [f for f in found if f.start >= low] != list(before) or connection.execute(waits).first():
                return False
            write_facts(connection, [(saw_id, entry)])
            connection.execute(_NEXT_REVISION)
            value = connection.execute(select(schema.revision.c.value)).scalar_one()
            connection.execute(_TOUCH, {"saw": saw_id, "value": value})
            strike(connection, changed(saw_id, entry))
            return True

    def checkpoint(self, saw: str) -> Checkpoint | None:
        """Where the saw's derivation stands; None before its first reading."""
        table = schema.checkpoint
        row = self._one(saw, table, table.c.consumed_us, table.c.state)
        return None if row is None or row.consumed_us is None else Checkpoint(row.consumed_us, row.state)

    # Facts

    def facts(self, saw: str, start_us: int, end_us: int, kinds: Iterable[str] | None = None) -> list[Fact]:
        """The saw's facts that count: those detected, as people's marks have them (`collector.marks`).

        Arguments, order and errors as for `detected`.
        """
        with reading(self._engine) as connection:
            found = self._detected(connection, saw, start_us, end_us, kinds)
            saw_id = self._find(connection, saw)
            wanted = set(TABLES if kinds is None else kinds)
            if saw_id is None or not wanted & {Cut.kind, Run.kind}:
                return found
            low = min([start_us, *(f.start for f in found[:1])])
            high = max([end_us, *(f.end or end_us for f in found)])
            said = marks.standing(connection, saw_id, saw, low, high)
            if not said:
                return found
            found = corrected_facts(found, self._cuts_at(connection, saw, said), said)
        found = [
            f
            for f in found
            if f.kind in wanted and f.start < end_us and (f.end is None or f.end > start_us or f.start >= start_us)
        ]
        found.sort(key=order)
        return found

    def detected(self, saw: str, start_us: int, end_us: int, kinds: Iterable[str] | None = None) -> list[Fact]:
        """The saw's facts as they were derived, whatever people say about them.

        They overlap ``[start_us, end_us)``, in order of start; open ones reach to the end of time.

        Args:
            saw: name of the saw; an unknown one has no facts.
            start_us: start of the period, microseconds UTC.
            end_us: its end.
            kinds: kinds of facts (``run``, ``cut``, ``door_visit``, ``conflict``, ``gap``); None: all.

        Raises:
            ValueError: a kind does not exist.
        """
        with reading(self._engine) as connection:
            return self._detected(connection, saw, start_us, end_us, kinds)

    def _detected(
        self, connection: Connection, saw: str, start_us: int, end_us: int, kinds: Iterable[str] | None
    ) -> list[Fact]:
        wanted = list(TABLES) if kinds is None else list(dict.fromkeys(kinds))
        if unknown := [kind for kind in wanted if kind not in TABLES]:
            raise ValueError(f"no such kind of fact: {unknown[0]!r}; there are {', '.join(TABLES)}")
        found: list[Fact] = []
        saw_id = self._find(connection, saw)
        if saw_id is None:
            return []
        for kind in wanted:
            make = FROM_ROW[kind]
            found += [make(saw, row) for row in overlapping(connection, TABLES[kind], saw_id, start_us, end_us)]
        found.sort(key=order)
        return found

    def _cuts_at(self, connection: Connection, saw: str, said: Sequence[Mark]) -> list[Cut]:
        """Every detected cut that a mark touches, in order of start, and others between."""
        low, high = min(m.start for m in said), max(m.end for m in said)
        return [f for f in self._detected(connection, saw, low, high, [Cut.kind]) if isinstance(f, Cut)]

    def outline(self, saw: str, start_us: int, end_us: int) -> NDArray[np.int64]:
        """The facts that `facts` gives as numbers, for reckoning with many: see `collector.outline`."""
        with reading(self._engine) as connection:
            saw_id = self._find(connection, saw)
            if saw_id is None:
                return np.empty((0, 4), np.int64)
            return outline(connection, saw_id, start_us, end_us)

    def count_cuts(self, start_us: int, end_us: int) -> dict[str, Counter[str]]:
        """How many cuts that count started in ``[start_us, end_us)``, for each saw by direction.

        Counted in the database, but for the saws about which somebody said something then.
        """
        t = schema.cut
        query = (
            select(schema.saw.c.name, t.c.direction, func.count())
            .join_from(schema.saw, t)
            .where(t.c.start_us >= start_us, t.c.start_us < end_us)
            .group_by(schema.saw.c.name, t.c.direction)
        )
        counts: dict[str, Counter[str]] = {}
        with reading(self._engine) as connection:
            for name, direction, number in connection.execute(query):
                counts.setdefault(name, Counter())[direction] = number
            marked = marks.marked_saws(connection, start_us, end_us)
        for name in marked:
            cuts = [c for c in self.facts(name, start_us, end_us, [Cut.kind]) if c.start >= start_us]
            counts[name] = Counter(c.direction.value for c in cuts if isinstance(c, Cut))
        return {name: count for name, count in counts.items() if count}

    # The present

    def now(self, saw: str) -> NowEntry | None:
        """The saw's present; None before its first reading."""
        row = self._one(saw, schema.now, *schema.now.c)
        return None if row is None or row.at_us is None else _now(saw, row)

    def nows(self) -> dict[str, NowEntry]:
        """The present of every saw that was ever heard, by name, as of one moment."""
        query = select(schema.saw.c.name, *schema.now.c).join_from(schema.saw, schema.now)
        with reading(self._engine) as connection:
            rows = connection.execute(query.where(schema.now.c.at_us.is_not(None)).order_by(schema.saw.c.name))
            return {row.name: _now(row.name, row) for row in rows}

    def box(self, saw: str) -> BoxEntry:
        """What is known of the saw's box."""
        row = self._one(saw, schema.box, *schema.box.c)
        return BoxEntry(saw, None, None, None) if row is None else BoxEntry(saw, row.urn, row.online, row.since_us)

    def boxes(self) -> list[BoxEntry]:
        """What is known of every saw's box, in order of the saws' names."""
        t = schema.box.c
        query = select(schema.saw.c.name, t.urn, t.online, t.since_us).join_from(schema.saw, schema.box)
        with reading(self._engine) as connection:
            return [BoxEntry(*row) for row in connection.execute(query.order_by(schema.saw.c.name))]

    def revision(self) -> int:
        """Grows with every commit; one row, cheap to ask for several times a second."""
        with reading(self._engine) as connection:
            return int(connection.execute(select(schema.revision.c.value)).scalar_one())

    def changed(self, since: int) -> list[str]:
        """Names of the saws that a commit after revision ``since`` touched."""
        query = select(schema.saw.c.name).where(schema.saw.c.revision > since).order_by(schema.saw.c.name)
        with reading(self._engine) as connection:
            return list(connection.execute(query).scalars())

    # Shift plans

    def put_plan(self, body: object, valid_from_us: int) -> None:
        """Keeps a version of the shift plan (a JSON value); one with the same start is replaced."""
        t = schema.plan
        text = json.dumps(body, ensure_ascii=False, sort_keys=True)
        with writing(self._engine) as connection:
            alone(connection)
            same = update(t).where(t.c.valid_from_us == valid_from_us).values(body=text)
            if not connection.execute(same).rowcount:
                connection.execute(insert(t).values(valid_from_us=valid_from_us, body=text))
            connection.execute(_NEXT_REVISION)

    def plans(self) -> list[Plan]:
        """All versions of the shift plan, in order of their starts."""
        t = schema.plan
        with reading(self._engine) as connection:
            rows = connection.execute(select(t.c.valid_from_us, t.c.body).order_by(t.c.valid_from_us))
            return [Plan(start, json.loads(body)) for start, body in rows]

    def plan(self, at_us: int) -> Plan | None:
        """The version of the shift plan in force at a time; None before the first."""
        versions = [version for version in self.plans() if version.valid_from_us <= at_us]
        return versions[-1] if versions else None


def _now(saw: str, row: Any) -> NowEntry:
    return NowEntry(
        saw,
        row.at_us,
        State(row.state),
        row.since_us,
        row.amps_ma,
        row.locked,
        row.station,
        row.door_closed,
        row.clock_skew_us,
    )
