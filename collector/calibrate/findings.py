"""What was measured in each step, and what to do about it."""

from __future__ import annotations

import numpy as np

from collector.calibrate.finding import Amps, Figure, Finding, Level, Value
from collector.calibrate.measured import LEAST_OFF, Measured, Parts, Steps, blind
from collector.facts import SECOND
from collector.words import later

CUTS_WANTED = 3
_SLOW_HZ, _FAST_HZ = 4.5, 55.0  # 5 to 50 samples a second must work
_FEW_HZ = 7.0


def standstill(m: Measured, parts: Parts) -> list[Finding]:
    """What the clamp reads with the motor off."""
    if len(parts.off) < LEAST_OFF or m.offset_ma is None:
        text = later("Motor off: readings so far: {n}.")
        todo = later(
            "Wait: with the motor off a box may report only once in ten seconds. If none comes, it does not talk."
        )
        return [Finding("off-few", Level.NOTE, text, todo, {"n": len(parts.off)})]
    text = later("Motor off: the clamp reads {amps}, noise {noise}.")
    values = {"amps": Amps(m.offset_ma), "noise": Amps(m.off_noise_ma or 0)}
    if m.idle_ma is not None and m.offset_ma > max(0.5 * m.idle_ma, 300):
        todo = later(
            "The conductor carries current with the motor off, or the zero of the clamp is far out. Most likely the "
            "clamp is on a supply that feeds something else too. A licensed electrician puts it on a conductor between "
            "the motor's contactor and the motor."
        )
        return [Finding("current-when-off", Level.FAULT, text, todo, values)]
    if m.idle_ma is not None and m.offset_ma > max(0.25 * m.idle_ma, 150):
        todo = later("High against the idle current; have the zero set if it can be.")
        return [Finding("offset", Level.ATTENTION, text, todo, values)]
    if m.idle_ma is None and m.offset_ma > 500:
        todo = later("Is the motor really off? If it is, the clamp is on a conductor that carries something else.")
        return [Finding("current-when-off", Level.ATTENTION, text, todo, values)]
    return [Finding("off", Level.GOOD, text, values=values)]


def running(m: Measured, parts: Parts) -> list[Finding]:
    """What it reads with the motor idling, and how often."""
    if not len(parts.idle):
        return []
    if m.idle_ma is None:
        text = later("Motor on: readings so far: {n}.")
        todo = later("Let it idle for half a minute; spin-up is left out.")
        return [Finding("idle-few", Level.NOTE, text, todo, {"n": len(parts.idle)})]
    noise = m.noise_ma or 0.0
    if blind(m):
        text = later("Motor on: the clamp reads {amps}, the same as with the motor off.")
        todo = later(
            "The clamp does not see the motor. It may be open, not plugged in, on a conductor that does not feed the "
            "motor, or round the whole cable, whose currents cancel out. It belongs round one insulated conductor: a "
            "licensed electrician fits it."
        )
        return [Finding("no-current", Level.FAULT, text, todo, {"amps": Amps(m.idle_ma)})]
    idle: dict[str, Value] = {"amps": Amps(m.idle_ma), "noise": Amps(noise)}
    found = [Finding("idle", Level.GOOD, later("Idle: {amps}, noise {noise}."), values=idle)]
    if m.inrush_ma is not None:
        start: dict[str, Value] = {"amps": Amps(m.inrush_ma), "times": Figure(m.inrush_ma / m.idle_ma, 1)}
        found.append(Finding("inrush", Level.GOOD, later("Start: up to {amps}, {times} times idle."), values=start))
    return found + _sampling(m)


def _sampling(m: Measured) -> list[Finding]:
    if m.rate_hz is None:
        return []
    text = later("Samples: {n} a second.")
    values: dict[str, Value] = {"n": Figure(m.rate_hz, 1)}
    found = []
    if not _SLOW_HZ <= m.rate_hz <= _FAST_HZ:
        todo = later("Set the box to a rate from 5 to 50 a second.")
        found.append(Finding("rate", Level.FAULT if m.rate_hz < _SLOW_HZ else Level.ATTENTION, text, todo, values))
    elif m.rate_hz < _FEW_HZ:
        todo = later("It works; cuts get sharper edges from 10 a second on.")
        found.append(Finding("rate", Level.ATTENTION, text, todo, values))
    else:
        found.append(Finding("rate", Level.GOOD, text, values=values))
    if m.lost is not None and m.lost > 0.01:
        text, todo = (
            later("{n} % of the samples did not arrive."),
            later("Look at the box's network; QoS 1 must be on."),
        )
        found.append(Finding("lost", Level.ATTENTION, text, todo, {"n": Figure(100 * m.lost, 0)}))
    return found


def cutting(m: Measured, parts: Parts, steps: Steps) -> list[Finding]:
    """Whether the cuts that were made are seen."""
    if steps.cuts is None or not len(parts.cuts) or m.idle_ma is None:
        return []
    count = len(m.rises_ma)
    noise = m.noise_ma or 0.0
    rise = float(np.percentile(parts.cuts.v, 95)) - m.idle_ma
    if count == 0 and steps.stop is not None:
        text = later("Cutting: the current stays at idle, {amps}; it rises by {rise} at most.")
        if rise > 2 * noise:
            todo = later(
                "Something moves, but less than the noise lets through: see what is said about the clamp, and cut "
                "thicker material."
            )
        else:
            todo = later(
                "If three cuts were made, the clamp is on a conductor whose current does not follow the motor's load, "
                "such as that of a control transformer or a fan. A licensed electrician moves it to one of the motor's "
                "own three. If the material was very thin, try thicker."
            )
        return [Finding("no-rise", Level.FAULT, text, todo, {"amps": Amps(m.idle_ma), "rise": Amps(max(rise, 0))})]
    values: dict[str, Value] = {"n": count, "rises": tuple(Amps(r) for r in m.rises_ma)}
    if count < CUTS_WANTED:
        text = (
            later("Cutting: cuts seen so far: {n}, rising by {rises} above idle.")
            if count
            else later("Cutting: no cuts seen so far.")
        )
        if steps.stop is None:
            todo = later("Make three cuts in usual material, some seconds apart.")
            return [Finding("cuts-few", Level.NOTE, text, todo, values)]
        todo = later("Were there three? Then some rose too little to be seen; see what is said about the clamp.")
        return [Finding("cuts-few", Level.ATTENTION, text, todo, values)]
    text = later("Cutting: {n} cuts seen, rising by {rises} above idle.")
    if count > CUTS_WANTED:
        todo = later(
            "If you made three, look at them in the logbook, mark what is none, and cut again with steady feed."
        )
        return [Finding("cuts-many", Level.ATTENTION, text, todo, values)]
    return [Finding("cuts", Level.GOOD, text, values=values)]


def stopping(m: Measured, steps: Steps) -> list[Finding]:
    """Whether the brake's current is seen, and how long the blade took."""
    if steps.end is None or m.idle_ma is None:
        return []
    if m.brake_us is None:
        text = later(
            "Brake: no current of it is seen. It may have none that passes the clamp; standstill is then taken as 4 s."
        )
        return [Finding("brake-unseen", Level.NOTE, text)]
    seconds = m.brake_us / SECOND
    text = later("Brake: its current is seen; the blade stood after {n} s.")
    values: dict[str, Value] = {"n": Figure(seconds, 1)}
    if seconds > 4.0:  # common practice, no source
        todo = later("Longer than the usual 4 s (common practice, no source): follow the machine's manual.")
        return [Finding("brake-slow", Level.ATTENTION, text, todo, values)]
    return [Finding("brake", Level.GOOD, text, values=values)]


def switching(m: Measured) -> list[Finding]:
    """Whether the switches of lock and door were seen to move."""
    return [
        _switch(
            "lock",
            m.lock_moves,
            later("Beam lock: the box never reported its switch."),
            later("Beam lock: reported, not seen to move."),
            later("Beam lock: seen to move, times: {n}."),
            later("Lock the beam at a station and free it again."),
        ),
        _switch(
            "door",
            m.door_moves,
            later("Blade door: the box never reported its switch."),
            later("Blade door: reported, not seen to move."),
            later("Blade door: seen to move, times: {n}."),
            later("With the motor off and standing still, open the blade door and close it."),
        ),
    ]


def _switch(name: str, moves: int | None, silent: str, still: str, moved: str, deed: str) -> Finding:
    if moves is None:
        return Finding(f"{name}-silent", Level.ATTENTION, silent, later("Check its wire and the box's settings."))
    if moves == 0:
        return Finding(f"{name}-still", Level.NOTE, still, deed)
    return Finding(name, Level.GOOD, moved, values={"n": moves})
