"""The demo's world: Tern Point Stageworks, a scenery workshop that does not exist, and its two saws."""

from __future__ import annotations

import datetime as dt
import heapq
import zoneinfo
from dataclasses import replace
from typing import TYPE_CHECKING

from collector.facts import SECOND
from simulator.box import Box
from simulator.crew import Crew, DayPlan, Shift, local_us
from simulator.dice import Dice, generator
from simulator.load import Blade
from simulator.motor import Brake, Motor, Nameplate, Start, Starting
from simulator.play import Delivery, deliveries
from simulator.shop import Played, Saw, simulate_day

if TYPE_CHECKING:
    from collections.abc import Iterable, Iterator

SITE = "tern-point"
TITLE = "Tern Point Stageworks"
ZONE = zoneinfo.ZoneInfo("Europe/Lisbon")
BLADES = tuple(f"TP-{k:02d}" for k in range(1, 9))

HERON = Saw(
    "heron",
    Motor(
        Nameplate(5500.0, power_factor=0.84, efficiency=0.87),
        idle=0.36,
        idle_factor=0.32,
        start=Start(Starting.STAR_DELTA, ratio=6.8, spin_up_s=1.1, timer_s=5.0),
        brake=Brake(visible=True, dead_s=0.35, plateau=1.5, stop_s=2.9),
        cold=0.24,
        wander=0.035,
    ),
    Box(rate=10.0, noise=0.03, resolution=0.01, offset=0.04),
    Crew(handling_s=(8.0, 48.0), hazards=0.02),
    "urn:dev:mac:0024befffe804ff1:",
)
PLOVER = Saw(
    "plover",
    Motor(
        Nameplate(4000.0),
        idle=0.42,
        idle_factor=0.28,
        start=Start(Starting.DIRECT, ratio=6.4, spin_up_s=1.4),
        brake=Brake(visible=False, dead_s=0.2, stop_s=3.3),
        cold=0.18,
        wander=0.03,
    ),
    Box(rate=10.0, noise=0.04, resolution=0.02, offset=0.06, station=False),
    Crew(feed_m_min=(8.0, 18.0), handling_s=(10.0, 60.0), sheets_a_job=(1, 4), hazards=0.02),
    "urn:dev:mac:0024befffe804ff2:",
)
SAWS = {saw.name: saw for saw in (HERON, PLOVER)}
SHIFT = Shift()


def plan(saw: str, day: dt.date, seed: int) -> DayPlan:
    """What is planned for a saw on a day: weekends free, a fresh blade every eight or nine working days."""
    dice = Dice(generator(seed, saw, day, "plan"))
    works = day.weekday() < 5
    turn, age = _blade_age(saw, day, seed)
    # A blade's cutting power grows by about two thirds over its fitting, slowly at first.
    blade = Blade(dull=1.0 + 0.65 * min(age, 1.2) ** 2)
    change = dt.time(dice.integer(8, 15), dice.integer(5, 55)) if works and turn else None
    busy = (0.60 if saw == "heron" else 0.52) + dice.uniform(-0.12, 0.14)
    return DayPlan(SHIFT, ZONE, works, busy, blade, change, dice.chance(0.88))


def _box_of_the_day(saw: Saw, day: dt.date, seed: int) -> Saw:
    """On one day in 25 somebody pulls the box's plug for a while, and data are missing."""
    dice = Dice(generator(seed, saw.name, day, "box"))
    if not dice.chance(0.04):
        return saw
    start = dice.uniform(8.5, 16.0) * 3600
    return replace(saw, box=replace(saw.box, holes=((start, start + dice.skewed(300, 1800)),)))


def fittings(saw: str, first_day: dt.date, days: int, seed: int) -> list[tuple[int, str]]:
    """Which blade sits on a saw from when on [µs UTC], beginning at the first day's midnight.

    The changes are those whose door visits `history` plays (cause ``blade change``, begun within the hour
    after); heron takes the odd blades in turn, plover the even ones.
    """
    own = BLADES[0::2] if saw == "heron" else BLADES[1::2]
    turn = int(generator(seed, saw, "first blade").integers(len(own)))
    out = [(local_us(first_day, dt.time(), ZONE), own[turn])]
    for k in range(days):
        day = first_day + dt.timedelta(days=k)
        change = plan(saw, day, seed).blade_change
        if change is not None:
            turn = (turn + 1) % len(own)
            out.append((local_us(day, change, ZONE), own[turn]))
    return out


def _blade_age(saw: str, day: dt.date, seed: int) -> tuple[bool, float]:
    """Whether the blade is changed on a day, and how far through its life the morning's blade is (0..1)."""
    cycle = 8 if saw == "heron" else 9
    # Working days since a Monday; a weekend has the blade that Monday finds, changed on Friday or not.
    number = (day.toordinal() - 1) // 7 * 5 + min(day.weekday(), 5)
    shift = int(generator(seed, saw, "blades").integers(cycle))
    age = (number + shift) % cycle
    return age == 0 and day.weekday() < 5, (age or cycle) / cycle


def day_of(saw: str, day: dt.date, seed: int, *, at_work_from_us: int | None = None) -> Played:
    """A day of a saw.

    Args:
        saw: ``heron`` or ``plover``.
        day: the day in the shop's zone.
        seed: same seed, same day.
        at_work_from_us: whoever starts the demo at night should see a saw at work: outside planned time, a
            crew works unplanned from here [µs UTC] to the next planned work or midnight.
    """
    its = plan(saw, day, seed)
    if at_work_from_us is not None:
        spans = its.planned(day)
        midnight = local_us(day + dt.timedelta(days=1), dt.time(), ZONE)
        until = min((a for a, _ in spans if a > at_work_from_us), default=midnight) - 300 * SECOND
        if until > at_work_from_us and not any(a <= at_work_from_us < b for a, b in spans):
            its = replace(its, overtime=((at_work_from_us, until),))
    return simulate_day(_box_of_the_day(SAWS[saw], day, seed), day, seed, its)


def stream(seed: int, start_us: int, saws: Iterable[str] = ("heron", "plover")) -> Iterator[Delivery]:
    """What the boxes of the saws send from a time on, in order of sending, day after day without end.

    For a demo that goes live: the saws are at work at the start even if the shop is closed.
    """
    day = dt.datetime.fromtimestamp(start_us / SECOND, ZONE).date()
    first: int | None = start_us
    names = list(saws)
    while True:
        days = [deliveries(day_of(saw, day, seed, at_work_from_us=first)) for saw in names]
        for delivery in heapq.merge(*days, key=lambda d: d.at_us):
            if delivery.at_us >= start_us:
                yield delivery
        day += dt.timedelta(days=1)
        first = None


def history(saw: str, first_day: dt.date, days: int, seed: int) -> Iterator[Played]:
    """Day after day of a saw.

    Args:
        saw: ``heron`` or ``plover``.
        first_day: first day, in the shop's zone.
        days: how many.
        seed: same seed, same history, wherever it starts.
    """
    for k in range(days):
        day = first_day + dt.timedelta(days=k)
        yield day_of(saw, day, seed)
