"""What a request asks for, checked against the site: its saw and its period."""

from __future__ import annotations

from typing import TYPE_CHECKING

from api.http.fields import DAY
from api.http.problems import Problem
from api.tongues.say import gettext

if TYPE_CHECKING:
    from api.desk import Desk
    from api.http.fields import PeriodQuery
    from api.site import SawTitle


def saw_of(desk: Desk, name: str) -> SawTitle:
    """The saw of that name.

    Raises:
        Problem: the site has none.
    """
    saw = desk.saws.get(name)
    if saw is None:
        raise Problem(
            "unknown-saw",
            gettext(
                "{name} is none of the saws of this site: {saws}.",
                name=repr(name),
                saws=", ".join(desk.saws) or gettext("it has none"),
            ),
        )
    return saw


def period_of(desk: Desk, query: PeriodQuery, longest_days: int) -> tuple[int, int]:
    """Start and end of the period that is asked for, microseconds UTC; by default today until now.

    Raises:
        Problem: it is empty, or longer than this answer is given for.
    """
    now = desk.now()
    end = now if query.to is None else query.to
    start = desk.today(end - 1)[0] if query.from_ is None else query.from_
    if end <= start:
        raise Problem(
            "bad-period", gettext("The period ends before it starts or when it starts; let `to` lie after `from`.")
        )
    if end - start > longest_days * DAY:
        days = (end - start) / DAY
        raise Problem(
            "bad-period",
            gettext(
                "The period has {n} days; this answer is given for at most {most}.", n=f"{days:.1f}", most=longest_days
            ),
        )
    return start, end
