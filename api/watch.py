"""The watch: looks at the store, lets the rules judge, writes alerts and messages, and sends what waits.

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

import numpy as np
from sqlalchemy.exc import OperationalError

from api.alert_rows import alert_of, event_rows, row_of
from api.answers.alert_kinds import KINDS
from api.answers.alert_rules import CLOCK_REFUSAL, Limits, SawFacts, by_key, full_disk, many_refusals, of_saw
from api.answers.alerts import Key, spells
from api.answers.calendar import DAY, instant, site_date
from api.answers.compliance import tally
from api.answers.looking import look
from api.answers.messages import Shop, Text, about, bundle, headline
from api.answers.occurrences import Verdict
from api.answers.periods import Period
from api.answers.summary import AlertPart, SawPart, summary
from api.answers.telling import KEPT, Policy, escalations, raised, retry_at, summaries_due
from api.answers.utilisation import utilisation
from api.delivery import DeliveryError
from api.report_letter import letter, letter_html
from api.reporting import Reporting
from api.sums import Sums
from api.tongues.manner import manner
from api.tongues.say import speak
from api.vitals import STUCK_SECONDS
from api.without_book import WithoutBook
from collector.book.alerts import AlertBook, AlertWrite, LetterRow, StaleError
from collector.facts import SECOND, iso
from collector.torn import is_torn

if TYPE_CHECKING:
    import datetime as dt
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
        self._sender = sender
        self._address = address
        self._limits = limits or Limits()
        self._ports = tuple(ports)
        self._place = place
        self._disk = disk
        self._torn = torn
        self._alone = WithoutBook(self._desk.site.title, self._desk.zone, policy, sender, address)
        self._mine = True  # as far as is known, no other watch works
        self._reporting = Reporting(self._desk, Sums(self._desk))
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
            self.book.write(writes, self._summaries(now), now)
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

    # Summaries

    def _summaries(self, now: int) -> list[LetterRow]:
        before = self.book.looked()
        channels = [c for c in self._policy.channels if c.role == self._policy.summary_role]
        if before is None or not channels:
            return []
        letters = []
        for kind, day in summaries_due(before, now, self._policy.summary_minute, self._desk.zone):
            if kind == "daily" and not self._tending.days.works(day):
                continue
            text = self.report(kind, day) if kind in {"week", "month"} else self.summary(kind, day, now)
            for channel in channels:
                occasion = f"{kind} {day.isoformat()} {channel.name}"
                letters.append(
                    LetterRow(
                        channel.name,
                        kind,
                        now,
                        now,
                        occasion=occasion,
                        title=text.title,
                        body=text.body,
                        html=text.html,
                    )
                )
        return letters

    def report(self, kind: str, day: dt.date) -> Text:
        """The report of the week or month that ends with a day, against the one before."""
        period = Period.week_of(day) if kind == "week" else Period.parse(f"{day:%Y-%m}")
        found = self._reporting.report(period, list(self._desk.site.saws), period.moved(-1))
        place, zone = self._desk.site.title, self._desk.site.zone
        address = f"{self._address.rstrip('/')}/reports?period={period}&against=before"
        text = letter(found, place, zone, address)
        return replace(text, html=letter_html(found, place, zone, address))

    def summary(self, kind: str, day: dt.date, now: int) -> Text:
        """The summary of a day, or of the seven days up to it."""
        zone = self._desk.zone
        first = day if kind == "daily" else day - 6 * DAY
        start, end = instant(first, 0, zone), min(instant(day + DAY, 0, zone), now)
        counts = self._desk.book.count_cuts(start, end)
        titles = {name: t.title for name, t in self._tending.tasks().items()}
        saws = []
        for saw in self._desk.saws.values():
            entry = self._desk.book.now(saw.name)
            extent = self._desk.extent(saw.name, entry)
            act = self._desk.activity(saw.name, start, end, extent.last or now, entry)
            (use,) = utilisation(
                act,
                self._desk.planned(start, end),
                np.array([start, end]),
                self._desk.site.busy_gap,
                extent.counted_until(now),
            )
            found = self._tending.occurrences(saw.name, first, day, now)
            missed = [titles[o.task] for o in found if o.verdict(now) in {Verdict.MISSED, Verdict.OVERDUE}]
            cuts = sum(counts.get(saw.name, {}).values())
            saws.append(SawPart(saw.title, use, cuts, tally(found, now), missed))
        shop = self.shop()
        heads: dict[str, int] = {}
        for row in self.book.raised_between(start, end):
            alert = alert_of(row)
            head = headline(alert, KINDS[alert.key.kind], shop)
            heads[head] = heads.get(head, 0) + alert.count
        open_ = sum(r.state == "unacknowledged" for r in self.book.standing())
        return summary(kind, shop.title, first, day, saws, AlertPart(list(heads.items()), open_), self._address)

    def shop(self) -> Shop:
        """What messages must know of the place."""
        tasks = {name: t.title for name, t in self._tending.tasks().items()}
        saws = {name: saw.title for name, saw in self._desk.saws.items()}
        return Shop(self._desk.site.title, self._desk.zone, saws, tasks, self._address)

    # Sending

    def post(self) -> int:
        """Sends what waits, all that goes to one channel in one message; returns how many messages were delivered.

        What cannot be delivered is tried again, later each time. What was delivered is written down afterwards: after
        a crash in between it is sent once more, and never lost.
        """
        now = self._desk.now()
        groups: dict[tuple[str, int | None], list[LetterRow]] = {}
        for row in self.book.waiting(now):
            own = row.id if row.body is not None else None  # a text of its own is a message of its own
            groups.setdefault((row.channel, own), []).append(row)
        return sum(self._deliver(channel, rows, now) for (channel, _), rows in groups.items())

    def _deliver(self, name: str, rows: list[LetterRow], now: int) -> bool:
        self._moved = time.monotonic()  # a hundred letters to a dead server take long, and are no standstill
        ids = [row.id for row in rows]
        channel = self._policy.by_name.get(name)
        if channel is None:
            self.book.failed(ids, None, now, f"there is no way of telling people called {name} any more")
            return False
        text, facts = self._compose(rows, now)
        if text is None:
            self.book.sent(ids, now)
            return False
        try:
            self._sender.send(channel.address, text, facts)
        except DeliveryError as error:
            oldest = min(row.made_us for row in rows)
            again = None if now - oldest > KEPT else retry_at(now, 1 + min(row.tries for row in rows))
            self.book.failed(ids, again, now, str(error))
            log.warning("a message to %s was not delivered (%s); trying again", name, error)
            return False
        self.book.sent(ids, now)
        return True

    def _compose(self, rows: list[LetterRow], now: int) -> tuple[Text | None, dict[str, Any]]:
        """One message of what waits for a channel, and the same for programs."""
        if rows[0].body is not None:
            return Text(rows[0].title or "", rows[0].body, rows[0].html), {"reason": rows[0].reason}
        alerts: dict[int, tuple[Alert, str]] = {}
        for row in rows:
            found = None if row.alert_id is None else self.book.get(row.alert_id)
            if found is not None and found.state != "shelved":  # shelved since it was written: wanted quiet
                alerts[found.id] = (alert_of(found), row.reason)
        pairs = [(alert, KINDS[alert.key.kind]) for alert, _ in alerts.values()]
        facts = {"alerts": [_facts(alert, reason) for alert, reason in alerts.values()]}
        if not pairs:
            return None, facts
        shop = self.shop()
        if len(pairs) > 1:
            return bundle(pairs, shop, now), facts
        ((alert, reason),) = alerts.values()
        return about(alert, KINDS[alert.key.kind], shop, now, escalated=reason == "escalated"), facts

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
            self._moved = time.monotonic()
            failing = self.round(failing)

    def round(self, failing: bool = False) -> bool:
        """Looks and sends if no other watch of the site works; returns whether something failed, as last time it did.

        A database or a disk that is away for a while does not end the watch. While the book cannot be written people
        are told so all the same (`api.without_book`).
        """
        errors = [self._try(self._ask, failing)]
        if self._mine and errors == [None]:
            errors += [self._try(self.look, failing), self._try(self.post, failing)]
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


def _facts(alert: Alert, reason: str) -> dict[str, Any]:
    kind = KINDS[alert.key.kind]
    return {
        "id": alert.id,
        "kind": alert.key.kind,
        "saw": alert.key.saw or None,
        "subject": alert.key.subject or None,
        "priority": kind.priority.value,
        "reason": reason,
        "state": alert.state.value,
        "raised": iso(alert.raised),
        "returned": iso(alert.returned),
        "count": alert.count,
    }
