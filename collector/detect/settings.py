"""Settings of the detector: each has a physical meaning and a unit, and none has to be tuned to get started."""

from __future__ import annotations

from dataclasses import dataclass, fields, replace
from typing import TYPE_CHECKING, Any

from collector.detect.habits import NEW, Habits
from collector.facts import SECOND

if TYPE_CHECKING:
    from collections.abc import Mapping


@dataclass(frozen=True, slots=True)
class DetectSettings:
    """What the detector takes for granted about a panel saw; currents in mA, times in µs.

    Attributes:
        on_ma: motor current that parts standstill (sensor offset, noise) from the smallest idle current.
        on_band_ma: half the width of the band round `on_ma` in which one sample says little; two samples clear of
            the band decide.
        silence_us: silence of the box longer than this is a gap (design.md, wire format).
        bridge_us: a gap no longer than this, with the motor running before and after it, does not end the run.
        pause_us: a return to idle shorter than this does not split a cut (design.md: less than 1 s).
        bump_us: a rise shorter than this is no cut.
        floor_ma: the smallest rise above idle that can be a cut.
        blade_stop_us: time from switching off within which the blade stands still, used where the brake cannot be
            seen (common practice, no source: 4 s).
        brake_max_us: the longest current after switching off that is read as a brake.
        start_max_us: no start takes longer (star-delta timers and soft starters: common practice, no source).
        locked_ma: more than the idle current of the largest motor, less than the starting current of the smallest.
        door_touch_us: motor current with the door open for less than this is the switch's own delay, no conflict.
        debounce_us: a switch position held for less than this is bounce.
        stale_us: a switch not heard of for this long is unknown.
        rest_us: standstill this long ends a stretch; a derivation may start afresh there.
        habits: what this saw was seen to do; nobody sets it, `collector.detect.habits.learn` does.
    """

    on_ma: int = 570
    on_band_ma: int = 200
    silence_us: int = 15 * SECOND
    bridge_us: int = 90 * SECOND
    pause_us: int = 1_050_000
    bump_us: int = 800_000
    floor_ma: int = 60
    blade_stop_us: int = 4 * SECOND
    brake_max_us: int = 8 * SECOND
    start_max_us: int = 10 * SECOND
    locked_ma: int = 15_000
    door_touch_us: int = 250_000
    debounce_us: int = 300_000
    stale_us: int = 60 * SECOND
    rest_us: int = 30 * SECOND
    habits: Habits = NEW

    def with_set(self, values: Mapping[str, int]) -> DetectSettings:
        """These settings, some of `SETTABLE` given other values."""
        given: dict[str, Any] = dict(values)
        return replace(self, **given)


SETTABLE = tuple(field.name for field in fields(DetectSettings) if field.name != "habits")
"""Names of the settings that people may set: numbers all, mA and µs."""
