"""The signal itself, as an envelope that fits a screen."""

from flask import Response
from flask_openapi3.blueprint import APIBlueprint
from pydantic import Field

from api.answers.envelope import Envelope, changes
from api.desk import Desk
from api.http.answer import settled
from api.http.asked import period_of, saw_of
from api.http.fields import DAY, Model, PeriodQuery, SawPath, Time, subject
from collector.facts import iso
from collector.signals import SIGNALS, Series

LONGEST_DAYS = 31
SWITCHES = ("lock", "station", "door")
PIECE = DAY // 4
"""So much trace is read at once: at 50 Hz about a million readings."""


class CurrentSlice(Model):
    """Motor current in one slice of the period; all null in the middle of a silence longer than 15 s."""

    t: Time
    low: float | None = Field(description="A")
    high: float | None = Field(description="A")
    mean: float | None = Field(description="A, mean of the readings")


class SwitchChange(Model):
    """A switch took this value."""

    t: Time
    on: bool


class StationChange(Model):
    """The beam stood at this station."""

    t: Time
    station: int


class TraceAnswer(Model):
    """The signals of a period, each in at most `points` rows."""

    saw: str
    from_: Time = Field(alias="from")
    to: Time
    points: int
    readings_from: Time | None = Field(
        description="Before this time readings have aged out, and minutes stand for them; null: not in this period."
    )
    motor: list[CurrentSlice]
    lock: list[SwitchChange] = Field(description="`on`: locked at a vertical cutting station.")
    door: list[SwitchChange] = Field(description="`on`: closed.")
    station: list[StationChange]


class TraceQuery(PeriodQuery):
    """How finely the period is drawn."""

    points: int = Field(1000, ge=2, le=10_000, description="Most rows a signal.")


class _Switch:
    """The changes of a switch over pieces of a period, the first ``limit`` of them."""

    def __init__(self, limit: int) -> None:
        self._limit = limit
        self._rows: list[tuple[int, int]] = []

    def add(self, series: Series) -> None:
        new = changes(series, self._limit + 1)
        for t, v in zip(new.t.tolist(), new.v.tolist(), strict=True):
            if len(self._rows) < self._limit and (not self._rows or self._rows[-1][1] != v):
                self._rows.append((t, v))

    def rows(self) -> list[tuple[int, int]]:
        return self._rows


def blueprint(desk: Desk) -> APIBlueprint:
    """`/saws/{saw}/trace`."""
    bp = subject("trace")

    @bp.get("/saws/<saw>/trace", responses={200: TraceAnswer})
    def trace(path: SawPath, query: TraceQuery) -> Response:
        """Motor current as low, high and mean a slice, extremes exact, and the changes of the switches."""
        saw = saw_of(desk, path.saw)
        start, end = period_of(desk, query, LONGEST_DAYS)
        motor = Envelope(start, end, query.points)
        switches = {signal: _Switch(query.points) for signal in SWITCHES}
        aged = desk.trace.complete_from(saw.name)
        # Whole minutes: the first may begin a little before what was asked for.
        for signal, held in desk.trace.minutes(saw.name, start, min(end, aged)).items():
            if signal == "motor":
                motor.add_slices(held.slices())
            else:
                switches[signal].add(held.changes())
        whole = -(-PIECE // motor.width) * motor.width
        for at in range(start, end, whole):
            # Slices begin where the picture's do.
            low, high = max(at, aged), min(at + whole, end)
            if low < high:
                motor.add_slices(desk.trace.slices(saw.name, low, high, motor.width))
                piece = desk.trace.read(saw.name, low, high, SWITCHES)
                for signal, series in zip(SIGNALS, piece.series(), strict=True):
                    if signal in switches:
                        switches[signal].add(series)
        slices = [
            {"t": iso(p.t), "low": _amps(p.low), "high": _amps(p.high), "mean": _amps(p.mean)} for p in motor.rows()
        ]
        return settled(
            {
                "saw": saw.name,
                "from": iso(start),
                "to": iso(end),
                "points": query.points,
                "readings_from": iso(aged) if start < aged else None,
                "motor": slices,
                "lock": [{"t": iso(t), "on": bool(v)} for t, v in switches["lock"].rows()],
                "door": [{"t": iso(t), "on": bool(v)} for t, v in switches["door"].rows()],
                "station": [{"t": iso(t), "station": v} for t, v in switches["station"].rows()],
            }
        )

    return bp


def _amps(ma: float | None) -> float | None:
    return None if ma is None else round(ma / 1000, 4)
