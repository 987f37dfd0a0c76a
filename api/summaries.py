"""Summaries of a day and a week, and reports of a week and a month: when they are due, and what stands in them."""

from __future__ import annotations

from dataclasses import replace
from typing import TYPE_CHECKING

import numpy as np

from api.alert_rows import alert_of
from api.answers.alert_kinds import KINDS
from api.answers.calendar import DAY, instant
from api.answers.compliance import tally
from api.answers.messages import Text, headline
from api.answers.occurrences import Verdict
from api.answers.periods import Period
from api.answers.summary import AlertPart, SawPart, summary
from api.answers.telling import Policy, summaries_due
from api.answers.utilisation import utilisation
from api.report_letter import letter, letter_html
from api.reporting import Reporting
from api.sums import Sums
from collector.book.alerts import AlertBook, LetterRow

if TYPE_CHECKING:
    import datetime as dt

    from api.tending import Tending


class Summaries:
    """Those of one site.

    Args:
        tending: the site's maintenance; its desk holds the stores and the clock.
        policy: who gets them, and when.
        address: of the server, for links.
    """

    def __init__(self, tending: Tending, policy: Policy, address: str) -> None:
        self._tending = tending
        self._desk = tending.desk
        self._book = AlertBook(tending.desk.book)
        self._policy = policy
        self._address = address
        self._reporting = Reporting(tending.desk, Sums(tending.desk))

    def due(self, now: int) -> list[LetterRow]:
        """Letters that have become due since the last look.

        Raises:
            sqlalchemy.exc.SQLAlchemyError: the database failed.
        """
        before = self._book.looked()
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
        shop = self._tending.shop(self._address)
        heads: dict[str, int] = {}
        for row in self._book.raised_between(start, end):
            alert = alert_of(row)
            head = headline(alert, KINDS[alert.key.kind], shop)
            heads[head] = heads.get(head, 0) + alert.count
        open_ = sum(r.state == "unacknowledged" for r in self._book.standing())
        return summary(kind, shop.title, first, day, saws, AlertPart(list(heads.items()), open_), self._address)
