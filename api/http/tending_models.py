"""What answers about maintenance hold."""

import datetime as dt
from typing import Any

from pydantic import Field

from api.answers.occurrences import Verdict
from api.http.fields import Model, Ratio, Time


class TallyAnswer(Model):
    """Counts of occurrences and the compliance, done in time / due."""

    due: int
    in_time: int
    late: int
    missed: int
    overdue: int
    waiting: int
    not_due: int
    compliance: Ratio | None


class TaskAnswer(Model):
    """A maintenance task."""

    name: str
    title: str
    steps: list[str]
    role: str
    minutes: int
    saws: list[str] = Field(description="Empty: every saw.")
    at_blade: bool = Field(description="Read the cautions first.")
    check: str | None = Field(description="What the signals can answer by themselves.")
    basis: str = Field(description="Where the interval comes from.")
    active: bool
    when: dict[str, Any]
    when_words: str


class OccurrenceAnswer(Model):
    """One time that a task is due at one saw."""

    task: str
    title: str
    saw: str
    occurrence: str = Field(description="Tells it from the task's other occurrences; give it back with a tick.")
    day: dt.date
    verdict: Verdict
    opens: Time
    work_ends: Time = Field(description="When the last shift of the due day ends.")
    due: Time | None = Field(description="When the due day is over; null where nobody can say yet.")
    closes: Time | None
    done: Time | None
    tick: int | None
    who: str | None = Field(description="Who said so; null with `done`: the signals show it.")
    note: str | None


class SawTask(Model):
    """A task at one saw: what stands, and how it went."""

    task: str
    saw: str
    now: OccurrenceAnswer | None = Field(description="The most pressing occurrence that waits.")
    next_day: dt.date | None
    last_done: Time | None
    used: float | None = Field(description="For a task by use: how much since it was last done.")
    recent: TallyAnswer = Field(description="The last four weeks.")


class SawTending(Model):
    """One saw's maintenance at a glance."""

    saw: str
    title: str
    recent: TallyAnswer
    weeks: list[dict[str, Any]] = Field(description="The last eight weeks: Monday and counts.")
    tasks: list[SawTask]


class TendingAnswer(Model):
    """The site's maintenance at a glance."""

    now: Time
    today: dt.date
    zone: str
    manual_first: str
    measures: dict[str, str] = Field(description="What a task that goes by use can be counted in, and its word.")
    signs: dict[str, str] = Field(description="What a saw can show by itself that makes a task due, in words.")
    cautions: list[str]
    tasks: list[TaskAnswer]
    saws: list[SawTending]
    waiting: list[OccurrenceAnswer] = Field(description="Overdue first, then what is due today, then what is open.")
    missed: list[OccurrenceAnswer] = Field(description="The last four weeks, newest first.")
    done: list[OccurrenceAnswer] = Field(description="The last seven days, newest first.")
