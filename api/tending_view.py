"""Maintenance as the API answers it, as of one moment: at a glance, and one by one."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

from api.answers.calendar import DAY, site_date
from api.answers.cautions import AT_BLADE, MANUAL_FIRST
from api.answers.compliance import Tally, tally, tally_by, week_of
from api.answers.occurrences import FAR, Occurrence, Verdict, standing
from api.answers.tasks import MEASURES, SIGNS, ByUse, Task, as_body
from api.answers.wording import in_words
from api.tongues.say import gettext, known
from collector.facts import SECOND, iso

if TYPE_CHECKING:
    import datetime as dt

    from api.tending import Tending

LOOK_BACK_DAYS = 400
LOOK_AHEAD_DAYS = 45
RECENT_DAYS = 28
DONE_DAYS = 7

_ORDER = (Verdict.OVERDUE, Verdict.DUE, Verdict.OPEN)


def counts(t: Tally) -> dict[str, Any]:
    """A tally as the API answers it."""
    return {
        "due": t.due,
        "in_time": t.in_time,
        "late": t.late,
        "missed": t.missed,
        "overdue": t.overdue,
        "waiting": t.waiting,
        "not_due": t.not_due,
        "compliance": t.compliance,
    }


class View:
    """Makes answers of occurrences, as of one moment."""

    def __init__(self, tending: Tending, now: int) -> None:
        self.tending = tending
        self.now = now
        self.today = site_date(now, tending.desk.zone)
        self.tasks = tending.tasks()
        self.ticks = {saw: tending.ticks(saw) for saw in tending.desk.saws}
        self.said = {t.id: t for ticks in self.ticks.values() for t in ticks}

    def found(self, saw: str, first: dt.date, last: dt.date) -> list[Occurrence]:
        """Occurrences of a saw with due days from ``first`` to ``last``."""
        return self.tending.occurrences(saw, first, last, self.now)

    def occurrence(self, o: Occurrence) -> dict[str, Any]:
        """One occurrence."""
        tick = None if o.tick is None else self.said.get(o.tick)
        return {
            "task": o.task,
            "title": known(self.tasks[o.task].title),
            "saw": o.saw,
            "occurrence": o.key,
            "day": o.day.isoformat(),
            "verdict": o.verdict(self.now),
            "opens": iso(o.opens),
            "work_ends": iso(self.tending.days.shift_end(o.day)),
            "due": None if o.due == FAR else iso(o.due),
            "closes": None if o.closes == FAR else iso(o.closes),
            "done": iso(o.done),
            "tick": o.tick,
            "who": None if tick is None else tick.who,
            "note": None if tick is None else tick.note,
        }

    def task(self, task: Task) -> dict[str, Any]:
        """A task, with its rule in words."""
        texts = {"title": known(task.title), "basis": known(task.basis), "steps": [known(step) for step in task.steps]}
        return {**as_body(task), **texts, "when_words": in_words(task.when)}

    def saw(self, name: str, found: list[Occurrence]) -> dict[str, Any]:
        """One saw at a glance."""
        recent = [o for o in found if self.today - RECENT_DAYS * DAY < o.day <= self.today]
        past = [o for o in found if o.day <= self.today]
        mondays = sorted({week_of(o) for o in past})[-8:]
        weeks = tally_by((o for o in past if o.day >= mondays[0]), week_of, self.now)
        return {
            "saw": name,
            "title": self.tending.desk.saws[name].title,
            "recent": counts(tally(recent, self.now)),
            "weeks": [{"week": monday.isoformat(), **counts(weeks[monday])} for monday in mondays],
            "tasks": [
                self.saw_task(task, name, [o for o in found if o.task == task.name])
                for task in self.tasks.values()
                if task.active and (not task.saws or name in task.saws)
            ],
        }

    def saw_task(self, task: Task, saw: str, found: list[Occurrence]) -> dict[str, Any]:
        """One task at one saw."""
        verdicts = [(o.verdict(self.now), o) for o in found]
        waiting = [(_ORDER.index(v), o.day, o) for v, o in verdicts if v in _ORDER]
        ahead = [o.day for v, o in verdicts if v is Verdict.AHEAD]
        done = [o.done for o in found if o.done is not None]
        done += [t.done for t in standing(self.ticks[saw], self.now) if t.task == task.name]
        used = None
        if isinstance(task.when, ByUse):
            used = round(self.tending.used(saw, task.when.measure, max(done, default=0), self.now), 1)
        recent = [o for o in found if self.today - RECENT_DAYS * DAY < o.day <= self.today]
        return {
            "task": task.name,
            "saw": saw,
            "now": self.occurrence(min(waiting, key=lambda w: w[:2])[2]) if waiting else None,
            "next_day": min(ahead).isoformat() if ahead else None,
            "last_done": iso(max(done, default=None)),
            "used": used,
            "recent": counts(tally(recent, self.now)),
        }


def overview(tending: Tending, now: int) -> dict[str, Any]:
    """Everything that the maintenance page shows at first."""
    maker = View(tending, now)
    today = maker.today
    of = {
        saw: maker.found(saw, today - LOOK_BACK_DAYS * DAY, today + LOOK_AHEAD_DAYS * DAY) for saw in tending.desk.saws
    }
    every = [o for found in of.values() for o in found]
    waiting = [o for o in every if o.verdict(now) in _ORDER]
    waiting.sort(key=lambda o: (_ORDER.index(o.verdict(now)), o.day, o.saw))
    past = sorted((o for o in every if today - RECENT_DAYS * DAY < o.day <= today), key=lambda o: o.day, reverse=True)
    missed = [o for o in past if o.verdict(now) is Verdict.MISSED]
    done = [o for o in every if o.done is not None and now - DONE_DAYS * 86_400 * SECOND < o.done <= now]
    done.sort(key=lambda o: o.done or 0, reverse=True)
    return {
        "now": iso(now),
        "today": today.isoformat(),
        "zone": tending.desk.site.zone,
        "manual_first": gettext(MANUAL_FIRST),
        "measures": {name: gettext(word) for name, word in MEASURES.items()},
        "signs": {name: gettext(word) for name, word in SIGNS.items()},
        "cautions": [gettext(caution) for caution in AT_BLADE],
        "tasks": [maker.task(t) for t in maker.tasks.values()],
        "saws": [maker.saw(saw, found) for saw, found in of.items()],
        "waiting": [maker.occurrence(o) for o in waiting],
        "missed": [maker.occurrence(o) for o in missed],
        "done": [maker.occurrence(o) for o in done],
    }
