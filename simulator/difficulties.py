"""Difficulties by name: short stretches of a saw's life, each hard in one way, and all ways at once.

`SCENARIOS` maps a name to a `Scenario`; calling it with a seed plays half an hour at a saw, with truth.
Whatever a scenario does not make hard is drawn afresh from the ordinary range for every seed: motor, rate,
way of starting, brake, noise, materials. A scenario says what is hard about it in `Scenario.about`, never how
to cope with it.

Where the box is noisy, the lightest cuts rise by at least twice the noise of one sample: what lies below is
not the detector's to find but the installer's, who fits a smaller clamp.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, field, replace
from itertools import pairwise

from collector.facts import SECOND
from simulator.box import Box, Hole
from simulator.crew import Crew, Shiftwork
from simulator.dice import Dice, generator
from simulator.load import Blade, Manner, entry_seconds, passage, touch
from simulator.motor import Brake, Motor, Nameplate, Start, Starting
from simulator.script import Script
from simulator.shop import Played, Saw, Scenario, play

_MORNING_US = 1_772_434_800 * SECOND  # 2026-03-02T07:00:00Z, a Monday
Range = tuple[float, float]


@dataclass(frozen=True, slots=True)
class Work:
    """How a stretch is worked: ranges from which each run and cut is drawn [s, A].

    ``rise_a`` is a cut's mean current above idle; None: from materials and feed. ``ready_s`` is from full
    speed to the first contact, ``last_s`` from the last contact to switching off.
    """

    minutes: Range = (22.0, 36.0)
    cuts: tuple[int, int] = (3, 12)
    cut_s: Range = (2.0, 22.0)
    rise_a: Range | None = None
    between_s: Range = (3.5, 30.0)
    ready_s: Range = (1.5, 20.0)
    last_s: Range = (1.5, 25.0)
    rest_s: Range = (20.0, 150.0)
    touches: float = 0.02
    manner: Manner = field(default_factory=Manner)
    relock: float = 0.3
    doors: float = 0.25
    early: float = 0.0


@dataclass(frozen=True, slots=True)
class Setting:
    """A saw and the way it is worked in one stretch; ``warm`` 0: first start of the day."""

    motor: Motor
    box: Box
    work: Work
    warm: float


Twist = Callable[[Setting, Dice], Setting]


def ordinary_setting(d: Dice) -> Setting:
    """An ordinary saw, box and crew, drawn."""
    plate = Nameplate.of_current(d.uniform(5.0, 14.0))
    way = d.pick((Starting.DIRECT, Starting.STAR_DELTA, Starting.SOFT))
    motor = Motor(
        plate,
        idle=d.uniform(0.3, 0.5),
        idle_factor=d.uniform(0.22, 0.4),
        start=_start(d, way),
        brake=_brake(d, visible=d.chance(0.5)),
        cold=d.uniform(0.05, 0.25),
        warm_s=d.uniform(70, 200),
        wander=d.uniform(0.01, 0.04),
    )
    box = Box(
        rate=d.pick((8.0, 10.0, 10.0, 10.0, 12.5, 20.0)),
        jitter=d.uniform(0.0, 0.1),
        noise=d.uniform(0.01, 0.04),
        resolution=d.pick((0.001, 0.01, 0.02)),
        offset=d.uniform(0.0, 0.1),
        station=d.chance(0.5),
    )
    return Setting(motor, box, Work(rise_a=(max(0.2, 5 * box.noise), 0.5 * plate.full_load_amps)), d.uniform(0.3, 1.0))


def _start(d: Dice, way: Starting) -> Start:
    timer = d.uniform(3.0, 8.0) if way is Starting.STAR_DELTA else d.uniform(2.0, 8.0)
    return Start(
        way,
        ratio=d.uniform(6.0, 8.0),
        spin_up_s=d.uniform(0.5, 2.5) if way is Starting.DIRECT else d.uniform(0.5, 1.4),
        timer_s=timer,
        limit=d.uniform(2.0, 4.0),
        dip_s=d.uniform(0.03, 0.1),
    )


def _brake(d: Dice, *, visible: bool) -> Brake:
    plateau = d.uniform(0.35, 0.8) if d.chance(0.4) else d.uniform(1.2, 2.8)
    dead = 0.0 if d.chance(0.2) else d.uniform(0.05, 0.6)
    return Brake(electronic=True, visible=visible, dead_s=dead, plateau=plateau, stop_s=dead + d.uniform(1.5, 3.3))


def _work_stretch(setting: Setting, d: Dice) -> Script:
    """Work a stretch: runs of cuts with rests and door visits between."""
    work, motor = setting.work, setting.motor
    script = Script(_MORNING_US + d.integer(0, 3600) * SECOND, round(60 * d.uniform(*work.minutes)))
    hands = Shiftwork(script, Crew(), motor, Blade(), d)
    hands.now = d.uniform(15, 60)
    vertical = d.chance(0.5)
    while hands.now < script.seconds - 90:
        cuts = d.integer(*work.cuts)
        for k in range(cuts):
            if k == 0 or d.chance(work.relock):
                vertical = d.chance(0.55)
                hands.aim(vertical)
            if k == 0:
                hands.switch_on()
                hands.now += d.skewed(*work.ready_s)
            if d.chance(work.touches):
                amps = motor.load_for_rise(d.skewed(0.3, max(0.6, 0.4 * motor.plate.full_load_amps)))
                bump = touch(d, hands.now, amps, vertical=vertical, longest_s=0.7)
                script.passages.append(bump)
                hands.now = bump.end + d.uniform(1.2, 2.5)
            _cut(setting, hands, d, vertical=vertical)
            if hands.now > script.seconds - 60:
                break
            if k < cuts - 1:
                hands.now += d.skewed(*work.between_s)
        hands.now += d.skewed(*work.last_s)
        hands.switch_off()
        still = script.runs[-1].standstill
        if d.chance(work.doors):
            hands.door(d.uniform(15, 90), "look", early=d.chance(work.early))
        hands.now = max(hands.now + d.skewed(*work.rest_s), still + 2.0)
    script.seconds = max(script.seconds, hands.now)
    return script


def _cut(setting: Setting, hands: Shiftwork, d: Dice, *, vertical: bool) -> None:
    work = setting.work
    seconds = d.skewed(*work.cut_s)
    amps = setting.motor.load_for_rise(d.skewed(*(work.rise_a or (0.3, 3.0))))
    thickness, feed = d.pick((12.0, 16.0, 19.0, 25.0, 38.0)), d.uniform(8, 22) / 60
    done = passage(
        d,
        hands.now,
        seconds,
        amps,
        entry_s=entry_seconds(280.0, thickness, feed),
        ripple=d.uniform(0.03, 0.14),
        manner=work.manner,
        vertical=vertical,
        knots=0.05,
    )
    hands.script.passages.append(done)
    hands.now = done.end


def _played(name: str, twists: tuple[Twist, ...], seed: int) -> Played:
    dice = Dice(generator(seed, "difficulty", name))
    setting = ordinary_setting(dice)
    for twist in twists:
        setting = twist(setting, dice)
    script = _work_stretch(setting, dice)
    box = _with_holes(setting.box, script, dice)
    return play(Saw("heron", setting.motor, box), script, dice.rng, setting.warm)


def _with_holes(box: Box, script: Script, d: Dice) -> Box:
    """Put a gap asked for by the marker hole (0, n) into n runs, anywhere in them."""
    if not box.holes:
        return box
    holes: list[Hole] = []
    for run in (d.pick(script.runs) for _ in range(int(box.holes[0][1]))):
        at = d.uniform(run.on + 1.0, run.off)
        holes.append((at, at + d.skewed(3.0, 58.0)))
    holes.sort()
    apart = [holes[0]] + [b for a, b in pairwise(holes) if b[0] > a[1] + 5]
    return replace(box, holes=tuple(apart))


def _motor_of(low: float, high: float) -> Twist:
    def twist(s: Setting, d: Dice) -> Setting:
        plate = Nameplate.of_current(d.uniform(low, high))
        rise = (0.2, 0.45 * plate.full_load_amps)
        return replace(s, motor=replace(s.motor, plate=plate), work=replace(s.work, rise_a=rise))

    return twist


def _rate(low: float, high: float) -> Twist:
    return lambda s, d: replace(s, box=replace(s.box, rate=d.uniform(low, high)))


def _starting(way: Starting) -> Twist:
    return lambda s, d: replace(s, motor=replace(s.motor, start=_start(d, way)))


def _cold(s: Setting, d: Dice) -> Setting:
    return replace(s, motor=replace(s.motor, cold=d.uniform(0.3, 0.34), warm_s=d.uniform(60, 150)), warm=0.0)


def _wander(s: Setting, d: Dice) -> Setting:
    return replace(s, motor=replace(s.motor, wander=d.uniform(0.07, 0.08)))


def _light(s: Setting, d: Dice) -> Setting:
    return replace(s, box=replace(s.box, noise=0.05), work=replace(s.work, rise_a=(0.15, d.uniform(0.25, 0.5))))


def _coarse(s: Setting, _d: Dice) -> Setting:
    rise = (
        max(0.3, s.work.rise_a[0] if s.work.rise_a else 0.3),
        max(2.0, s.work.rise_a[1] if s.work.rise_a else 2.0),
    )
    return replace(s, box=replace(s.box, noise=0.15, resolution=0.1), work=replace(s.work, rise_a=rise))


def _hardly_idle(s: Setting, d: Dice) -> Setting:
    work = replace(
        s.work,
        cuts=(4, 10),
        cut_s=(8.0, 28.0),
        between_s=(1.4, d.uniform(1.8, 3.0)),
        ready_s=(0.6, 2.0),
        last_s=(0.4, 2.0),
        relock=0.0,
    )
    return replace(s, work=work)


def _hasty(s: Setting, d: Dice) -> Setting:
    return replace(s, work=replace(s.work, cuts=(1, 5), ready_s=(0.45, 0.55), last_s=(0.1, d.uniform(0.3, 0.6))))


def _pauses(s: Setting, d: Dice) -> Setting:
    manner = Manner(pause=0.7, pause_s=(0.3, d.uniform(0.75, 0.95)), levels=0.0)
    return replace(s, work=replace(s.work, cut_s=(4.0, 25.0), manner=manner))


def _levels(s: Setting, _d: Dice) -> Setting:
    return replace(s, work=replace(s.work, cut_s=(4.0, 25.0), manner=Manner(levels=0.7, knots=0.4)))


def _close(s: Setting, d: Dice) -> Setting:
    return replace(
        s,
        work=replace(s.work, between_s=(1.3, d.uniform(1.31, 1.8)), cut_s=(1.5, 8.0), relock=0.0, cuts=(5, 14)),
    )


def _touches(s: Setting, d: Dice) -> Setting:
    return replace(s, work=replace(s.work, touches=d.uniform(0.4, 0.7)))


def _wild(s: Setting, d: Dice) -> Setting:
    return replace(s, box=replace(s.box, wild=d.skewed(0.002, 0.01)))


def _offset(s: Setting, d: Dice) -> Setting:
    return replace(s, box=replace(s.box, offset=d.uniform(0.28, 0.32)))


def _brake_seen(s: Setting, d: Dice) -> Setting:
    return replace(s, motor=replace(s.motor, brake=_brake(d, visible=True)), work=replace(s.work, last_s=(0.3, 8.0)))


def _brake_unseen(s: Setting, d: Dice) -> Setting:
    return replace(s, motor=replace(s.motor, brake=_brake(d, visible=False)), work=replace(s.work, last_s=(0.3, 8.0)))


def _bounce(s: Setting, _d: Dice) -> Setting:
    return replace(s, box=replace(s.box, bounce=1.0), work=replace(s.work, relock=0.7))


def _lost(s: Setting, d: Dice) -> Setting:
    return replace(s, box=replace(s.box, lost_packs=d.skewed(0.003, 0.02)))


def _gaps(s: Setting, d: Dice) -> Setting:
    return replace(s, box=replace(s.box, holes=((0.0, float(d.integer(2, 5))),)))


def _early_door(s: Setting, d: Dice) -> Setting:
    return replace(
        s,
        motor=replace(s.motor, brake=_brake(d, visible=True)),
        work=replace(s.work, doors=0.8, early=0.5, cuts=(1, 5)),
    )


def _everything(s: Setting, d: Dice) -> Setting:
    for twist in (
        _motor_of(3.0, 20.0),
        _rate(5.0, 50.0),
        _cold,
        _wander,
        _wild,
        _offset,
        _bounce,
        _lost,
        _gaps,
    ):
        s = twist(s, d)
    noise = d.uniform(0.05, 0.15)
    plate = s.motor.plate
    motor = replace(
        s.motor,
        start=_start(d, d.pick(tuple(Starting))),
        brake=_brake(d, visible=d.chance(0.5)),
    )
    box = replace(s.box, noise=noise, resolution=d.pick((0.01, 0.05, 0.1)))
    work = Work(
        cuts=(2, 12),
        cut_s=(1.5, 25.0),
        rise_a=(3 * noise, max(6 * noise, 0.45 * plate.full_load_amps)),
        between_s=(1.3, 20.0),
        ready_s=(0.5, 15.0),
        last_s=(0.2, 15.0),
        touches=0.12,
        manner=Manner(pause=0.2, pause_s=(0.3, 0.9), levels=0.15, knots=0.1),
        early=0.1,
    )
    return Setting(motor, box, work, s.warm)


_TWISTS: dict[str, tuple[str, tuple[Twist, ...]]] = {
    "small_motor": ("a motor of 3 to 4 A full load", (_motor_of(3.0, 4.0),)),
    "large_motor": ("a motor of 17 to 20 A full load", (_motor_of(17.0, 20.0),)),
    "slow_box": ("5 samples a second", (_rate(5.0, 5.0),)),
    "fast_box": ("50 samples a second", (_rate(50.0, 50.0),)),
    "direct_start": ("six to eight times full load at the start", (_starting(Starting.DIRECT),)),
    "star_delta_start": ("seconds in star below idle, a dip and a spike", (_starting(Starting.STAR_DELTA),)),
    "soft_start": ("a ramp of seconds at two to four times full load", (_starting(Starting.SOFT),)),
    "cold_saw": ("idle falls by a third in the first minutes", (_cold,)),
    "wandering_supply": ("idle wanders by 8 % with the supply", (_wander,)),
    "light_cuts": ("cuts from 0.15 A above idle at 0.05 A noise", (_light,)),
    "coarse_box": ("noise of 0.15 A at a resolution of 0.1 A", (_coarse,)),
    "hardly_idle": ("runs that are almost all cutting", (_hardly_idle,)),
    "hasty": ("first cut half a second after spin-up, off right after the last", (_hasty,)),
    "feed_pauses": ("pauses of feed under a second inside one passage", (_pauses,)),
    "many_levels": ("loads that change and knots inside one passage", (_levels,)),
    "close_cuts": ("cuts 1.3 s apart", (_close,)),
    "touches": ("touches under 0.8 s that are no cuts", (_touches,)),
    "wild_samples": ("single wild samples", (_wild,)),
    "standstill_offset": ("0.3 A shown at standstill", (_offset,)),
    "brake_seen": ("a brake whose current is seen, above or below idle", (_brake_seen,)),
    "brake_unseen": ("a brake whose current is not seen", (_brake_unseen,)),
    "bouncing_lock": ("a lock switch that bounces at every move", (_bounce,)),
    "lost_packs": ("packs that never arrive", (_lost,)),
    "gaps": ("gaps of up to a minute in mid-run", (_gaps,)),
    "early_door": ("a door opened before standstill, with the brake's current flowing", (_early_door,)),
    "everything": ("all of these at once", (_everything,)),
}


def _scenario(name: str, about: str, twists: tuple[Twist, ...], *, hard: bool = True) -> Scenario:
    return Scenario(name, about, lambda seed: _played(name, twists, seed), hard)


SCENARIOS: dict[str, Scenario] = {
    "ordinary": _scenario("ordinary", "nothing hard: motor, box, materials as they come", (), hard=False),
    **{name: _scenario(name, about, twists) for name, (about, twists) in _TWISTS.items()},
}
