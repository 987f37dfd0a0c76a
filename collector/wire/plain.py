"""A short cut for the pack that nearly every box sends nearly always, without an object a record.

Plain is: base name and base time in the first record only; records of name, value, perhaps time, unit where
the meaning has one, and no other field; all times absolute or all relative; all in range. Not plain is not
wrong: `collector.wire.meaning.read_any` decides that. Where this module does answer, it answers the same;
tests/wire/test_pack.py holds the two together.
"""

from __future__ import annotations

from typing import Any, Final

import numpy as np

from collector.signals import Series, Trace
from collector.wire.forms import CBOR_LABELS, Form
from collector.wire.meaning import (
    AHEAD_US,
    BOOTED_US,
    EARLIEST_US,
    HIGHEST_AMPS,
    HIGHEST_STATION,
    LATEST_US,
    LOWEST_AMPS,
    Pack,
    is_box,
)
from collector.wire.senml import RELATIVE_BELOW_US

LABELS: Final = ("n", "t", "u", "v", "vb", "bn", "bt")
"""The labels that a plain pack uses."""
KEYS: Final = {"json": LABELS, "cbor": tuple(CBOR_LABELS[label] for label in LABELS)}
"""`LABELS` as they are written in each form."""

_NONE: Final = Series.empty()


def read_plain(records: list[Any], form: Form, received_us: int | None) -> Pack | None:  # noqa: C901, PLR0911, PLR0912, PLR0915
    """The pack, or None where it is not plain; arguments as for `collector.wire.meaning.read_any`."""
    n, t, u, v, vb, bn, bt = KEYS[form]
    motor_t: list[int] = []
    motor_v: list[int] = []
    lock_t: list[int] = []
    lock_v: list[int] = []
    station_t: list[int] = []
    station_v: list[int] = []
    door_t: list[int] = []
    door_v: list[int] = []
    try:
        first = records[0]
        box = first[bn]
        base = first.get(bt, 0)
        if type(box) is not str or not is_box(box) or (type(base) is not float and type(base) is not int):
            return None
        base_us = round(base * 1e6)
        extra = 2 if bt in first else 1
        for record in records:
            if type(record) is not dict:  # CBOR's labels are numbers: an array would answer to them
                return None
            size = len(record) - extra
            extra = 0
            if t in record:
                time = record[t]
                if type(time) is not float and type(time) is not int:
                    return None
                time = base_us + round(time * 1e6)
                size -= 1
            else:
                time = base_us
            name = record[n]
            if name == "motor":
                value = record[v]
                if (
                    size != 3
                    or record[u] != "A"
                    or (type(value) is not float and type(value) is not int)
                    or not LOWEST_AMPS <= value <= HIGHEST_AMPS
                ):
                    return None
                motor_t.append(time)
                motor_v.append(round(value * 1000) if value > 0 else 0)
            elif name == "lock":
                value = record[vb]
                if size != 2 or type(value) is not bool:
                    return None
                lock_t.append(time)
                lock_v.append(value)
            elif name == "door":
                value = record[vb]
                if size != 2 or type(value) is not bool:
                    return None
                door_t.append(time)
                door_v.append(value)
            elif name == "station":
                value = record[v]
                if size != 3 or record[u] != "count" or type(value) is not int or not 0 <= value <= HIGHEST_STATION:
                    return None
                station_t.append(time)
                station_v.append(value)
            else:
                return None
    # A record that is no map, lacks a field or holds NaN: not plain.
    except (AttributeError, LookupError, TypeError, ValueError, OverflowError):
        return None
    times = motor_t + lock_t + station_t + door_t
    low, high = min(times), max(times)
    shift = 0
    if high < RELATIVE_BELOW_US:
        if received_us is None:
            return None
        shift = received_us
    latest = LATEST_US - 1 if received_us is None else received_us + (BOOTED_US if shift else AHEAD_US)
    if low < RELATIVE_BELOW_US <= high or low + shift < EARLIEST_US or high + shift > latest:
        return None
    # One array for all signals, and views of it: making an array costs more than filling it.
    t_all = np.array(times, np.int64)
    if shift:
        t_all += shift
    v_all = np.array(motor_v + lock_v + station_v + door_v, np.int32)
    found = []
    start = 0
    for mine in (motor_t, lock_t, station_t, door_t):
        if not mine:
            found.append(_NONE)
            continue
        end = start + len(mine)
        t_mine, v_mine = t_all[start:end], v_all[start:end]
        start = end
        found.append(Series(t_mine, v_mine) if _rising(mine) else Series.of(t_mine, v_mine))
    return Pack(box, Trace(*found), bool(shift))


def _rising(times: list[int]) -> bool:
    before = times[0] - 1
    for time in times:
        if time <= before:
            return False
        before = time
    return True
