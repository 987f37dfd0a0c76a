"""A month at one saw, March 2026 in Lisbon, worked out by hand: what was said, and what must come out of it.

Shifts Monday to Friday, Thursday the 19th shut. That makes 21 working days: 2-6, 9-13, 16-18, 20, 23-27, 30-31.
Summer time begins on Sunday the 29th.

Clean-down, every working day. Said on the day itself, at 16:55, except:

==== ==========================================================================  =============
day  what was said                                                               at the end
==== ==========================================================================  =============
4    nothing                                                                     missed
10   on the 11th at 08:30: "done yesterday at 16:55"                             in time
13   on Monday the 16th at 08:10: "done now"                                     late
18   done, and at 18:00 withdrawn: it was the other saw                          missed
19   (shut)                                                                      not due
27   on Monday the 30th at 08:00: "done now"; corrected on the 31st: "on Friday" in time
==== ==========================================================================  =============

Due 21, in time 18, late 1, missed 2; not due 10 (nine weekend days and the 19th). By week, in time of due:
4 of 5, 4 of 5, 3 of 4, 5 of 5, 2 of 2.

Rails, every Friday (6, 13, 20, 27), open three working days before, closed two working days after:
6: done on Thursday the 5th, in time. 13: done on Tuesday the 17th, late. 20: nothing said; closes with Tuesday
the 24th, missed. 27: done that day, in time. Due 4, in time 2, late 1, missed 1.

Squareness, third Thursday (the 19th, shut, so Friday the 20th): done on the 20th, in time. Due 1, in time 1.
"""

from __future__ import annotations

import datetime as dt
from itertools import count
from zoneinfo import ZoneInfo

from api.answers.calendar import Shift, ShiftPlan, instant
from api.answers.occurrences import TickEntry
from api.answers.tasks import ByCalendar, Task, Version
from api.answers.workdays import Workdays

LISBON = ZoneInfo("Europe/Lisbon")
PLAN = ShiftPlan.weekdays(Shift.parse("08:00-17:00", ["10:00-10:15", "12:30-13:15"]), closed=[dt.date(2026, 3, 19)])
DAYS = Workdays(PLAN, LISBON)
FIRST, LAST = dt.date(2026, 3, 1), dt.date(2026, 3, 31)

CLEAN = Task("clean-down", "Clean down", ("Clean.",), "operator", 10, ByCalendar("FREQ=DAILY", off="skip"))
RAILS = Task(
    "rails", "Rails", ("Wipe.",), "operator", 15, ByCalendar("FREQ=WEEKLY;BYDAY=FR", lead_days=3, grace_days=2)
)
SQUARE = Task(
    "squareness", "Squareness", ("Measure.",), "maintenance", 30, ByCalendar("FREQ=MONTHLY;BYDAY=3TH", lead_days=2)
)
VERSIONS = [[Version(task, FIRST)] for task in (CLEAN, RAILS, SQUARE)]


def at(day: int, clock: str, month: int = 3) -> int:
    """A local time of the month."""
    hour, minute = map(int, clock.split(":"))
    return instant(dt.date(2026, month, day), hour * 60 + minute, LISBON)


def said() -> list[TickEntry]:
    """All that was said, in order."""
    number = count(1)
    entries: list[TickEntry] = []

    def say(task: str, day: str, done: int, when: int | None = None, **more: object) -> int:
        entry = TickEntry(next(number), task, "heron", day, done, "Ana", "operator", "", when or done, **more)
        entries.append(entry)
        return entry.id

    for day in (2, 3, 5, 6, 9, 11, 12, 16, 17, 20, 23, 24, 25, 26, 30, 31):
        say("clean-down", f"2026-03-{day:02d}", at(day, "16:55"))
    say("clean-down", "2026-03-10", at(10, "16:55"), at(11, "08:30"))
    say("clean-down", "2026-03-13", at(16, "08:10"))
    wrong = say("clean-down", "2026-03-18", at(18, "16:55"))
    say("clean-down", "2026-03-18", at(18, "16:55"), at(18, "18:00"), replaces=wrong, withdrawn=True)
    late = say("clean-down", "2026-03-27", at(30, "08:00"))
    say("clean-down", "2026-03-27", at(27, "16:50"), at(31, "09:00"), replaces=late)
    say("rails", "2026-03-06", at(5, "15:00"))
    say("rails", "2026-03-13", at(17, "11:00"))
    say("rails", "2026-03-27", at(27, "15:00"))
    say("squareness", "2026-03-19", at(20, "09:00"))
    return entries
