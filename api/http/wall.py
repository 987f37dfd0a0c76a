"""Everything that the screen on the wall shows, in one answer."""

from flask import Response
from flask_openapi3.blueprint import APIBlueprint
from pydantic import Field

from api.board import Board
from api.desk import Desk
from api.http.answer import live
from api.http.fields import Model, Time, subject
from api.http.saws import SawNow
from api.http.utilisation import Ratios
from collector.facts import State


class Span(Model):
    """A stretch of planned working time."""

    start: Time
    end: Time


class RibbonStretch(Model):
    """A stretch of time in one state."""

    state: State
    start: Time
    end: Time


class CutsToday(Model):
    """Cuts that started today, the running one included."""

    vertical: int
    horizontal: int
    unknown: int = Field(description="Cuts during which the lock was not known.")
    total: int


class BladeOnSaw(Model):
    """The blade that sits on the saw, as people said."""

    tag: str
    cuts: int = Field(description="Since it was sharpened.")
    limit: int = Field(description="Its service limit in cuts.")


class TendingStrip(Model):
    """A saw's maintenance and alerts in a few counts."""

    tasks: int = Field(description="Maintenance tasks that the saw has.")
    overdue: int = Field(description="Due before today, the window still open.")
    due: int = Field(description="Due today and not done.")
    missed: int = Field(description="Missed within the last seven days.")
    alerts: int = Field(description="Alerts that nobody acknowledged; maintenance is counted apart.")
    urgent: int = Field(description="Of them those with high priority.")


class UsualDay(Model):
    """The middle of the last days, by as much planned time as has passed today."""

    allocation_efficiency: float
    cuts: int
    days: int = Field(description="So many days were compared.")


class StreamEntry(SawNow):
    """A saw's present and its day so far."""

    cuts: CutsToday
    hours: list[int] = Field(description="Cuts that started in each hour since the day began, up to the newest.")
    usual: UsualDay | None = Field(description="Null while too few days can be compared.")
    blade: BladeOnSaw | None = Field(description="Null where nobody said which blade sits there.")
    tending: TendingStrip
    utilisation: Ratios


class WallEntry(StreamEntry):
    """A saw's present, its day so far, and its states since the day began."""

    ribbon: list[RibbonStretch] = Field(description="From the start of the day until now, without holes.")


class WallAnswer(Model):
    """The wall."""

    site: str
    title: str
    zone: str = Field(description="IANA time zone.")
    now: Time
    day: str = Field(description="The site's date.")
    day_start: Time
    day_end: Time
    planned: list[Span] = Field(description="Planned working time of the day, breaks cut out.")
    saws: list[WallEntry]


def blueprint(desk: Desk, board: Board) -> APIBlueprint:
    """`/wall`."""
    bp = subject("wall")

    @bp.get("/wall", responses={200: WallAnswer})
    def wall() -> Response:
        """Each saw's present, today's numbers, and today's ribbon of states against the planned time."""
        return live(board.wall(desk.now()))

    return bp
