"""The crew: a shift at a vertical panel saw, sheet after sheet.

A sheet stands on the saw's rollers. It is trimmed and ripped with horizontal cuts (head fixed in height, beam
free), then parted with vertical ones (beam locked at a station), or only parted; blade changes, cleaning and
breaks fall in between. The day's busy share varies from saw to saw and day to day.
"""

from __future__ import annotations

import datetime as dt
import zoneinfo
from dataclasses import dataclass, field, replace
from typing import TYPE_CHECKING

from collector.facts import SECOND
from simulator.load import (
    MATERIALS,
    Blade,
    Manner,
    Material,
    cutting_watts,
    entry_seconds,
    passage,
    touch,
)
from simulator.script import DoorOpening, MotorRun, Script

if TYPE_CHECKING:
    from simulator.dice import Dice
    from simulator.motor import Motor

_EPOCH = dt.datetime(1970, 1, 1, tzinfo=dt.UTC)


def local_us(day: dt.date, clock: dt.time, zone: zoneinfo.ZoneInfo) -> int:
    """A local time of a day as µs UTC."""
    return (dt.datetime.combine(day, clock, tzinfo=zone) - _EPOCH) // dt.timedelta(microseconds=1)


@dataclass(frozen=True, slots=True)
class Shift:
    """Planned work of a day in local time: start, end, and breaks as (start, end)."""

    start: dt.time = dt.time(8, 0)
    end: dt.time = dt.time(17, 0)
    breaks: tuple[tuple[dt.time, dt.time], ...] = (
        (dt.time(10, 0), dt.time(10, 15)),
        (dt.time(12, 30), dt.time(13, 15)),
    )

    def spans(self, day: dt.date, zone: zoneinfo.ZoneInfo) -> list[tuple[int, int]]:
        """Planned working spans of a day [µs UTC], breaks cut out."""
        edges = [self.start, *(t for pair in self.breaks for t in pair), self.end]
        marks = [local_us(day, clock, zone) for clock in edges]
        return list(zip(marks[0::2], marks[1::2], strict=True))


@dataclass(frozen=True, slots=True)
class DayPlan:
    """What is planned for a saw on a day.

    ``busy`` is the share of planned time in which the saw is in use (None: drawn, 0.42..0.74). ``blade`` is
    on the saw in the morning. ``blade_change`` exchanges it for a fresh one about then (local time).
    ``clean`` is the clean-down before the end of the shift. ``works`` False: nobody comes. ``overtime`` holds
    spans of unplanned work [µs UTC], apart from the planned ones.
    """

    shift: Shift = field(default_factory=Shift)
    zone: zoneinfo.ZoneInfo = field(default_factory=lambda: zoneinfo.ZoneInfo("Europe/Lisbon"))
    works: bool = True
    busy: float | None = None
    blade: Blade = field(default_factory=Blade)
    blade_change: dt.time | None = None
    clean: bool = True
    overtime: tuple[tuple[int, int], ...] = ()

    def planned(self, day: dt.date) -> list[tuple[int, int]]:
        """Planned working spans of a day [µs UTC], breaks cut out; none if nobody works."""
        return self.shift.spans(day, self.zone) if self.works else []


@dataclass(frozen=True, slots=True)
class Crew:
    """How the people at a saw work.

    ``handling_s`` is between two cuts of a sheet, ``loading_s`` between two sheets; ``patience_s`` is how
    long they let the motor idle before they switch it off; ``hazards`` the chance per door visit that the
    door is opened too early.
    ``stations`` are the beam's locking places.
    """

    materials: tuple[Material, ...] = MATERIALS
    feed_m_min: tuple[float, float] = (8.0, 22.0)
    handling_s: tuple[float, float] = (8.0, 55.0)
    loading_s: tuple[float, float] = (25.0, 110.0)
    patience_s: tuple[float, float] = (25.0, 120.0)
    manner: Manner = field(default_factory=Manner)
    touches: float = 0.03
    hazards: float = 0.004
    stations: int = 5
    sheets_a_job: tuple[int, int] = (1, 5)


class Shiftwork:
    """Writes a script, one action after the other, at the time ``now`` [s from the script's start]."""

    def __init__(self, script: Script, crew: Crew, motor: Motor, blade: Blade, dice: Dice) -> None:
        self.script = script
        self.crew = crew
        self.motor = motor
        self.blade = blade
        self.dice = dice
        self.now = 0.0
        self.on: float | None = None
        self.start = motor.start
        self.busy = 0.0

    def switch_on(self) -> None:
        """Start the motor and wait until it is at speed."""
        if self.on is not None:
            return
        d, s = self.dice, self.motor.start
        self.on = self.now
        # Nobody starts a saw twice alike: voltage, temperature and the phase at which the contactor closes
        # differ.
        self.start = replace(s, ratio=s.ratio * d.uniform(0.95, 1.05), spin_up_s=s.spin_up_s * d.uniform(0.93, 1.1))
        self.now += self.start.ready_s

    def switch_off(self) -> None:
        """Stop the motor."""
        if self.on is None:
            return
        b = self.motor.brake
        stop = b.stop_s * self.dice.uniform(0.95, 1.06)
        self.script.runs.append(MotorRun(self.on, self.now, self.start, replace(b, stop_s=stop)))
        self.on = None

    def wait(self, seconds: float) -> None:
        """Let time pass; the motor is switched off if that is longer than the crew's patience."""
        if self.on is not None and seconds > 15:
            patience = self.dice.uniform(*self.crew.patience_s)
            if seconds > patience:
                off = min(patience * self.dice.uniform(0.1, 1.0), seconds - 5)
                self.now += off
                self.switch_off()
                self.now += seconds - off
                return
        self.now += seconds

    def aim(self, vertical: bool) -> None:
        """Lock or free the beam for the next cut; takes a few seconds if it has to move."""
        d = self.dice
        if vertical:
            if not self.script.locked or d.chance(0.45):
                if self.script.locked:
                    self.now += d.uniform(0.5, 2.0)
                    self.script.lock(self.now, locked=False)
                    self.now += d.uniform(1.0, 3.0)
                self.script.lock(self.now, locked=True, station=d.integer(1, self.crew.stations))
                self.now += d.uniform(0.6, 4.0)
        elif self.script.locked:
            self.now += d.uniform(0.5, 2.0)
            self.script.lock(self.now, locked=False)
            self.now += d.uniform(0.6, 3.0)

    def cut(self, material: Material, thickness: float, metres: float, feed: float, *, vertical: bool) -> None:
        """Cut ``metres`` at ``feed`` [m/s], and bring the head back without load."""
        d = self.dice
        self.aim(vertical)
        self.switch_on()
        if d.chance(self.crew.touches):
            bump = touch(d, self.now, self.motor.plate.active_amps(d.uniform(150, 900)), vertical=vertical)
            self.script.passages.append(bump)
            self.now = bump.end + d.uniform(1.2, 3.0)
        watts = cutting_watts(material.energy, self.blade.kerf_mm, thickness, feed, self.blade.dull)
        # An operator who hears the motor labour feeds more slowly.
        slower = max(watts / (0.75 * self.motor.plate.watts), 1.0)
        amps = self.motor.plate.active_amps(watts / slower)
        seconds = max(metres / feed * slower, 1.0)
        cause = f"{material.name} {thickness:g} mm, {60 * feed / slower:.0f} m/min, dull {self.blade.dull:.2f}"
        done = passage(
            d,
            self.now,
            seconds,
            amps,
            entry_s=entry_seconds(self.blade.diameter_mm, thickness, feed / slower),
            ripple=material.ripple,
            manner=self.crew.manner,
            vertical=vertical,
            knots=material.knots,
            cause=cause,
        )
        self.script.passages.append(done)
        self.now = done.end + seconds * d.uniform(0.3, 0.7)  # head or beam returns, faster, in the open kerf

    def sheet(self) -> None:
        """Take one sheet apart."""
        d, crew = self.dice, self.crew
        material = d.pick(crew.materials)
        thickness = float(d.pick(material.thicknesses))
        width, height = d.pick(((2.44, 1.22), (2.5, 1.25), (3.05, 1.53), (2.75, 1.83)))
        feed = d.skewed(*crew.feed_m_min) / 60
        rips = d.integer(0, 3)
        parts = d.integer(1, 4) if rips else d.integer(2, 6)
        self.now += d.uniform(*crew.loading_s)
        for k in range(rips):
            self.cut(
                material,
                thickness,
                width * d.uniform(0.92, 1.0),
                feed * d.uniform(0.85, 1.15),
                vertical=False,
            )
            self.wait(d.skewed(*crew.handling_s) if k < rips - 1 else d.uniform(4, 12))
        strip = height / (rips + 1) if rips else height
        for _ in range(parts):
            self.cut(
                material,
                thickness,
                max(strip, 0.45) * d.uniform(0.9, 1.0),
                feed * d.uniform(0.7, 1.1),
                vertical=True,
            )
            self.wait(d.skewed(*crew.handling_s))

    def door(self, seconds: float, cause: str, *, early: bool | None = None) -> None:
        """Open the blade door for a while.

        The motor is switched off and the blade at rest; or, ``early`` (None: rarely), it still turns.
        """
        d = self.dice
        self.switch_off()
        if early is None:
            early = d.chance(self.crew.hazards)
        still = self.script.runs[-1].standstill if self.script.runs else self.now
        if early and still > self.now:
            self.now += d.uniform(0.2, 0.8) * (still - self.now)
            cause += ", too early"
        else:
            self.now = max(self.now, still + d.uniform(3, 25))
        self.script.doors.append(DoorOpening(self.now, self.now + seconds, cause))
        self.now += seconds + d.uniform(3, 12)


def day_script(crew: Crew, motor: Motor, day: dt.date, plan: DayPlan, dice: Dice) -> Script:
    """A day at the saw, from local midnight to local midnight (23, 24 or 25 hours)."""
    start = local_us(day, dt.time(), plan.zone)
    end = local_us(day + dt.timedelta(days=1), dt.time(), plan.zone)
    script = Script(start, (end - start) / SECOND)
    busy = plan.busy if plan.busy is not None else dice.uniform(0.42, 0.74)
    work = Shiftwork(script, crew, motor, plan.blade, dice)
    change = None if plan.blade_change is None else (local_us(day, plan.blade_change, plan.zone) - start) / SECOND
    planned = plan.planned(day)
    for span in sorted([*planned, *plan.overtime]):
        a, b = ((edge - start) / SECOND for edge in span)
        last = bool(planned) and span == planned[-1]
        stop = b - (dice.uniform(420, 700) if last and plan.clean else dice.uniform(20, 150))
        work.now = max(work.now, a + dice.uniform(30, 420 if planned and span == planned[0] else 200))
        owed = 0.0
        while work.now < stop - 90:
            began = work.now
            for _ in range(dice.integer(*crew.sheets_a_job)):
                if work.now < stop - 60:
                    work.sheet()
            owed += (work.now - began) * (1.0 / busy - 1.0) * dice.uniform(0.6, 1.4)
            if change is not None and work.now > change:
                work.wait(dice.uniform(10, 40))
                work.door(dice.uniform(150, 420), "blade change")
                work.blade = replace(work.blade, dull=1.0)
                owed -= work.now - change if owed > 300 else 0.0
                change = None
            if owed > 240:
                # Edge banding, paperwork, fetching sheets, a chat: the saw stands.
                pause = min(owed, max(stop - work.now, 30.0))
                work.wait(pause)
                owed -= pause
            else:
                work.wait(dice.uniform(8, 45))
        work.wait(dice.uniform(2, 12))
        work.switch_off()
        if last and plan.clean:
            work.now += dice.uniform(10, 40)
            work.door(dice.uniform(120, 300), "cleaning")
    return script
