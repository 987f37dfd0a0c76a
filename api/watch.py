"""The watch: looks at the store, lets the rules judge, writes alerts and messages, and has sent what waits.

It works on the store only and may run in the collector's process or in one of its own. Of several for one site the one
that holds the lease works, and the others wait to follow it.
What it decides is in `api.answers`; here is only reading, writing and sending.
"""

from __future__ import annotations

import logging
import shutil
import threading
import time
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING, Any

from sqlalchemy.exc import OperationalError

from api.alert_rows import alert_of, event_rows, row_of
from api.answers.alert_kinds import KINDS
from api.answers.alert_rules import CLOCK_REFUSAL, Limits, SawFacts, by_key, full_disk, many_refusals, of_saw
from api.answers.alerts import Key, spells
from api.answers.calendar import DAY, site_date
from api.answers.looking import look
from api.answers.telling import Policy, escalations, raised
from api.posting import Posting
from api.summaries import Summaries
from api.tongues.manner import manner
from api.tongues.say import speak
from api.vitals import STUCK_SECONDS
from api.without_book import WithoutBook
from collector.book.alerts import AlertBook, AlertWrite, LetterRow, StaleError
from collector.facts import SECOND
from collector.torn import is_torn

if TYPE_CHECKING:
    from collections.abc import Callable, Sequence
    from pathlib import Path

    from api.answers.alert_rules import Port
    from api.answers.alerts import Alert, Change, Condition
    from api.answers.telling import Letter
    from api.delivery import Sender
    from api.tending import Tending
    from collector.book.leases import Leases
    from collector.facts import Fact

log = logging.getLogger(__name__)

LOOK_SECONDS = 5.0
LEASE = "watch"
_DAY = 86_400 * SECOND
_HOUR = 3600 * SECOND
WINDOW = _DAY
"""Facts so far back are looked at; further where an alert that is on, or over since then, began earlier."""
LONGEST_WINDOW = 60 * _DAY
FROM_FACTS = frozenset({"box-silent", "idling", "door-early", "current-door-open", "cannot-start", "beam-unlocked"})
"""Kinds that are read off the facts of the window; the others look further back by themselves."""
TAIL = 3 * _HOUR
REREAD = 600 * SECOND
"""When a saw has news, only its newest facts are read again, and all of the window every ten minutes."""
LEVELS = frozenset({"clock-wrong", "refusals", "disk-full"})


@dataclass(frozen=True, slots=True)
class _Window:
    """A saw's facts since ``start``, all read at ``read``, as of a revision of the book."""

    start: int
    read: int
    revision: int
    facts: list[Fact]


class Watch:
    """One site's watch.

    Args:
        tending: the site's maintenance; its desk holds the stores and the clock.
        policy: how people are told.
        sender: delivers.
        address: of the server, for links.
        limits: of the rules.
        ports: other parts of the program that know conditions.
        place: what knows conditions of the whole site: it is asked with saw ``""``.
        disk: a folder on the disk of the stores; None: it is not watched.
        leases: of this process; None: there is no other watch.
        torn: called with what was said when a store's file is damaged.

    Attributes:
        book: the alerts.
        summaries: those that it writes when they are due.
        posting: what it has sent.
    """

    def __init__(
        self,
        tending: Tending,
        policy: Policy,
        sender: Sender,
        address: str,
        *,
        limits: Limits | None = None,
        ports: Sequence[Port] = (),
        place: Port | None = None,
        disk: Path | None = None,
        leases: Leases | None = None,
        torn: Callable[[str], None] | None = None,
    ) -> None:
        self._tending = tending
        self._leases = leases
        self._desk = tending.desk
        self.book = AlertBook(self._desk.book)
        self._policy = policy
        self._limits = limits or Limits()
        self._ports = tuple(ports)
        self._place = place
        self._disk = disk
        self._torn = torn
        self._alone = WithoutBook(self._desk.site.title, self._desk.zone, policy, sender, address)
        self._mine = True  # as far as is known, no other watch works
        self.summaries = Summaries(tending, policy, address)
        self.posting = Posting(tending, policy, sender, address, self._move)
        self._held: dict[Key, int] = {}
        self._facts: dict[str, _Window] = {}
        self._stop = threading.Event()
        self._moved = time.monotonic()
        self._thread: threading.Thread | None = None

    # Looking

    def look(self) -> list[Alert]:
        """One look at the store; returns the alerts that were raised.

        Raises:
            sqlalchemy.exc.SQLAlchemyError: the database failed; nothing was written.
        """
        now = self._desk.now()
        since = self.book.watched_since(now)
        rows = {Key(r.kind, r.saw, r.subject): r for r in self.book.latest()}
        latest = {key: alert_of(r) for key, r in rows.items()}
        self._remember(latest)
        conditions = self._conditions(now, latest)
        self._held = {c.key: c.start for c in conditions if c.key.kind in LEVELS}
        found = by_key(c for c in conditions if c.key.kind in KINDS)
        writes: list[AlertWrite] = []
        told: list[Alert] = []
        for key in found.keys() | {k for k, a in latest.items() if not a.over}:
            kind = KINDS[key.kind]
            seen = spells(found.get(key, ()), kind.delay, kind.hold, now)
            before = rows.get(key)
            for change in look(latest.get(key), seen, key, now, since):
                at = before.told_us if before is not None else None
                letters = raised(kind, now, self._policy, self._desk.zone, at) if change.tell else []
                writes.append(self._write(change, before if change.alert.id else None, letters, now))
                told += [change.alert] if change.tell else []
                if letters and before is not None:
                    before = replace(before, told_us=min(x.not_before for x in letters))
        try:
            self.book.write(writes, self.summaries.due(now), now)
            self._escalate(now)
        except StaleError:
            log.info("an alert was changed by somebody during the look; the next look sees it")
            return []
        return told

    def _remember(self, latest: dict[Key, Alert]) -> None:
        """After a restart: levels whose alert is on are held since they were raised."""
        for key, alert in latest.items():
            if key.kind in LEVELS and alert.on and not alert.over:
                self._held.setdefault(key, alert.mark - KINDS[key.kind].delay)

    def _conditions(self, now: int, latest: dict[Key, Alert]) -> list[Condition]:
        found: list[Condition] = []
        refused = self._refused(now)
        for saw in self._desk.saws:
            start = self._window(now, saw, latest)
            found += of_saw(
                self._saw_facts(saw, start, now, refused), self._tending.days, self._limits, now, self._held.get
            )
            for port in self._ports:
                found += port.conditions(saw, start, now)
        stray = sum(n for (saw, _), n in refused.items() if saw not in self._desk.saws)
        found += many_refusals("", stray, now, self._limits.refusals, self._held.get(Key("refusals", "")))
        if self._place is not None:
            found += self._place.conditions("", now - WINDOW, now)
        if self._disk is not None:
            room = shutil.disk_usage(self._disk)
            held = self._held.get(Key("disk-full", ""))
            found += full_disk(room.free / room.total, now, self._limits.disk_free, held, free_bytes=room.free)
        return found

    @staticmethod
    def _window(now: int, saw: str, latest: dict[Key, Alert]) -> int:
        recent = now - WINDOW
        of = [a for k, a in latest.items() if k.saw == saw and k.kind in FROM_FACTS]
        begun = [a.mark for a in of if a.returned is None or a.returned > recent]
        return max(now - LONGEST_WINDOW, min([recent, *(t - _HOUR for t in begun)]))

    def _saw_facts(self, saw: str, start: int, now: int, refused: dict[tuple[str, str], int]) -> SawFacts:
        entry = self._desk.book.now(saw)
        today = site_date(now, self._desk.zone)
        return SawFacts(
            saw,
            self._read(saw, start, now),
            None if entry is None else entry.at,
            None if entry is None else entry.clock_skew_us,
            self._desk.planned(start - _DAY, now + 1),
            self._tending.book.stops(saw, now - LONGEST_WINDOW, now),
            sum(n for (name, code), n in refused.items() if name == saw and code != CLOCK_REFUSAL),
            refused.get((saw, CLOCK_REFUSAL), 0),
            self._tending.occurrences(saw, today - 400 * DAY, today, now),
        )

    def _read(self, saw: str, start: int, now: int) -> list[Fact]:
        """Facts that overlap the window, in order of start."""
        book, known = self._desk.book, self._facts.get(saw)
        revision = book.revision()
        if known is None or not known.start <= start < known.start + _DAY or now - known.read >= REREAD:
            known = _Window(start, now, revision, book.facts(saw, start, now + 1))
        elif saw in book.changed(known.revision):
            since = max(start, now - TAIL)
            settled = [f for f in known.facts if f.start < since and f.end is not None and f.end <= since]
            known = replace(known, revision=revision, facts=settled + book.facts(saw, since, now + 1))
        self._facts[saw] = known
        return known.facts

    def _refused(self, now: int) -> dict[tuple[str, str], int]:
        """Messages refused in the last hour, by saw and code."""
        counts: dict[tuple[str, str], int] = {}
        for entry in self._desk.book.refusals(200):
            if entry.last_us > now - _HOUR:
                key = (entry.saw or "", entry.code)
                counts[key] = counts.get(key, 0) + entry.occurrences
        return counts

    # Writing

    def _write(self, change: Change, before: Any, letters: Sequence[Letter], now: int) -> AlertWrite:
        kept = now if change.tell else None if before is None else before.told_us
        told = min((x.not_before for x in letters), default=kept)
        row = row_of(change.alert, 0 if before is None else before.version, told)
        return AlertWrite(row, event_rows(change.happenings), [_letter(x, now) for x in letters])

    def _escalate(self, now: int) -> None:
        rows = {r.id: r for r in self.book.standing()}
        due = escalations([(alert_of(r), r.told_us) for r in rows.values()], KINDS, now, self._policy, self._desk.zone)
        writes = [
            AlertWrite(replace(rows[alert.id], escalated_us=now), (), [_letter(x, now) for x in letters])
            for alert, letters in due
        ]
        if writes:
            self.book.write(writes)

    # Running

    def start(self, seconds: float = LOOK_SECONDS) -> None:
        """Looks and sends in a thread of its own until `stop`."""
        self._stop.clear()
        self._thread = threading.Thread(target=self._run, args=(seconds,), name="kerfbook-watch", daemon=True)
        self._thread.start()

    def moves(self) -> bool:
        """Whether it looks and sends, or waits for the next look, for a store or for its turn; False: it hangs."""
        alive = self._thread is not None and self._thread.is_alive()
        return alive and time.monotonic() - self._moved < STUCK_SECONDS

    def stop(self) -> None:
        """Ends the thread; a message that is being sent is waited for a moment."""
        self._stop.set()
        if self._thread is not None:
            self._thread.join(15)

    def _run(self, seconds: float) -> None:
        speak(manner(self._desk.site.show, self._desk.site.zone))  # letters are written in this thread
        failing = False
        while not self._stop.wait(seconds):
            self._move()
            failing = self.round(failing)

    def _move(self) -> None:
        self._moved = time.monotonic()

    def round(self, failing: bool = False) -> bool:
        """Looks and sends if no other watch of the site works; returns whether something failed, as last time it did.

        A database or a disk that is away for a while does not end the watch. While the book cannot be written people
        are told so all the same (`api.without_book`).
        """
        errors = [self._try(self._ask, failing)]
        if self._mine and errors == [None]:
            errors += [self._try(self.look, failing), self._try(self.posting.post, failing)]
        # Locked, full, read-only, away or torn; a fault of the rules is none of the book.
        lost = next((e for e in errors if isinstance(e, OperationalError) or is_torn(e)), None)
        if lost is None:
            self._alone.well()
        elif self._mine:
            self._alone.failed(self._desk.now(), str(getattr(lost, "orig", None) or type(lost).__name__))
        return any(errors)

    def _ask(self) -> None:
        """Whether no other watch of this site works."""
        if self._leases is not None:
            self._mine = bool(self._leases.take([LEASE]))

    def _try(self, work: Callable[[], object], failing: bool) -> Exception | None:
        try:
            work()
        except Exception as error:
            if not failing:
                log.exception("the watch failed at this look; it goes on trying")
            if self._torn is not None and is_torn(error):
                self._torn(f"{type(error).__name__}: {error}")
            return error
        return None


def _letter(letter: Letter, now: int) -> LetterRow:
    return LetterRow(letter.channel, letter.reason, now, letter.not_before)
