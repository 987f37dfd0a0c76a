"""A pack of a saw's box: SenML records with the meanings that the wire format gives them, as arrays.

- ``motor``, ``v`` in ``A``: RMS motor current of one phase over the interval since the sample before.
- ``lock``, ``vb``: true while the beam is locked at a vertical cutting station.
- ``station``, ``v`` in ``count``: which station that is.
- ``door``, ``vb``: true while the blade door is closed.

The base name is the box's URN (RFC 9039) and ends with ``:``. Anything else in a pack refuses it whole.
"""

from __future__ import annotations

import re
from dataclasses import dataclass
from functools import lru_cache
from typing import Any, Final

import cbor2
import numpy as np
import orjson

from collector.facts import SECOND, iso
from collector.signals import SIGNALS, Series, Trace
from collector.wire.refusal import Refusal
from collector.wire.senml import CBOR_LABELS, RELATIVE_BELOW_US, Form, Place, Record, parse, resolved, show

LOWEST_AMPS: Final = -0.5
"""A box that subtracts its offset has noise round zero: down to here a current reads as 0."""
HIGHEST_AMPS: Final = 1000.0
HIGHEST_STATION: Final = 9999
EARLIEST_US: Final = 1_577_836_800 * SECOND  # 2020-01-01T00:00:00Z
LATEST_US: Final = 4_102_444_800 * SECOND  # 2100-01-01T00:00:00Z
AHEAD_US: Final = 600 * SECOND
"""A box's clock may be this much ahead of ours."""

UNITS: Final = {"motor": "A", "station": "count"}
"""The unit of each signal that is a number; the others are switches (``vb``)."""

_JSON_KEYS: Final = ("n", "t", "u", "v", "vb", "bn", "bt")
_CBOR_KEYS: Final = tuple(CBOR_LABELS[label] for label in _JSON_KEYS)
_NONE: Final = Series.empty()

# RFC 9039 §3.2, the body of a DEV URN by subtype; the component part ("_...") is allowed after each.
_BOX: Final = re.compile(
    r"""urn:dev:
    (?: (?:mac|ow): (?:[0-9a-f]{2})+
      | org: [1-9][0-9]*-[A-Za-z0-9.\-]+ (?: :[A-Za-z0-9.\-]+)*
      | os:  [1-9][0-9]*-[A-Za-z0-9.\-]+ (?: :[A-Za-z0-9.\-]+)*
      | ops: [1-9][0-9]*-[A-Za-z0-9.]+-[A-Za-z0-9.\-]+ (?: :[A-Za-z0-9.\-]+)*
      | (?!(?:mac|ow|org|os|ops):) [a-z][a-z0-9]* (?: :[A-Za-z0-9.\-]+)+
    )
    (?: _[A-Za-z0-9.\-]+)* :""",
    re.VERBOSE | re.ASCII,
)


@dataclass(frozen=True, slots=True, eq=False)
class Pack:
    """What one message said: ``box`` is the base name, such as ``urn:dev:mac:0024befffe804ff1:``.

    ``relative``: times were given relative to the receipt, so the same message received later says other times.
    """

    box: str
    trace: Trace
    relative: bool = False


def read_pack(payload: bytes, received_us: int | None) -> Pack:
    """Decode one message.

    Of two readings of one signal at the same microsecond the first is kept.

    Args:
        payload: a SenML pack, JSON or CBOR.
        received_us: time of receipt, UTC microseconds. None when a recorded pack is read: then relative
            times are refused, and times need only lie in 2020 to 2099.

    Raises:
        Refusal: the payload breaks RFC 8428 or the wire format; nothing of it is taken.
    """
    records, form = parse(payload)
    return _read_plain(records, form, received_us) or _read_any(records, form, received_us)


def _read_any(records: list[Any], form: Form, received_us: int | None) -> Pack:
    """The rules in full, by way of resolved records; slower, and names what is wrong."""
    box = ""
    times: dict[str, list[int]] = {name: [] for name in SIGNALS}
    values: dict[str, list[int]] = {name: [] for name in SIGNALS}
    for index, record in resolved(records, form, received_us):
        at = Place(index, len(records))
        head, colon, signal = record.name.rpartition(":")
        box = box or head + colon
        if head + colon != box or not is_box(box):
            at.refuse(
                "bad-box",
                "bn",
                f"{show(head + colon)} is not the URN of one box; begin the pack with a base name such as "
                "'urn:dev:mac:0024befffe804ff1:', RFC 9039, and send one pack a box",
            )
        if signal not in times:
            at.refuse(
                "unknown-signal", "n", f"{show(signal)} is no signal; it must be one of {', '.join(SIGNALS)}"
            )
        _check_time(record.time_us, received_us, at)
        times[signal].append(record.time_us)
        values[signal].append(_reading(signal, record, at))
    if not box:
        raise Refusal(
            "empty", "the pack holds base fields and no reading; send it when there is something to report"
        )
    trace = Trace(*(Series.of(times[name], values[name]) if times[name] else _NONE for name in SIGNALS))
    return Pack(box, trace, received_us is not None and _is_relative(records, form))


def _is_relative(records: list[Any], form: Form) -> bool:
    """Whether good records need a time of receipt."""
    try:
        for _ in resolved(records, form, None):
            pass
    except Refusal:
        return True
    return False


def _reading(signal: str, record: Record, at: Place) -> int:
    value = record.value
    if signal not in UNITS:
        if not isinstance(value, bool):
            at.refuse("bad-value", None, f"{signal} is a switch; send its state as true or false in 'vb'")
        return int(value)
    if not isinstance(value, float):
        at.refuse("bad-value", None, f"{signal} is a number; send it in 'v'")
    if record.unit != UNITS[signal]:
        at.refuse("bad-unit", "u", f"the unit of {signal} is '{UNITS[signal]}', not {show(record.unit)}")
    if signal == "motor":
        if not LOWEST_AMPS <= value <= HIGHEST_AMPS:
            at.refuse(
                "current-out-of-range",
                "v",
                f"{value} A is outside {LOWEST_AMPS} to {HIGHEST_AMPS:.0f} A; check the clamp",
            )
        return milliamps(value)
    if not (value.is_integer() and 0 <= value <= HIGHEST_STATION):
        at.refuse("station-out-of-range", "v", f"{value} is not a whole number from 0 to {HIGHEST_STATION}")
    return int(value)


def milliamps(amps: float) -> int:
    """Whole milliamperes; the noise below zero is none."""
    return round(amps * 1000) if amps > 0 else 0


def _check_time(time_us: int, received_us: int | None, at: Place) -> None:
    if time_us < EARLIEST_US:
        at.refuse(
            "time-out-of-range",
            "t",
            f"{_when(time_us)} is before 2020; set the box's clock, or send no base time",
        )
    if received_us is None:
        if time_us >= LATEST_US:
            at.refuse("time-out-of-range", "t", f"{_when(time_us)} is after 2099; set the box's clock")
    elif time_us > received_us + AHEAD_US:
        at.refuse(
            "time-out-of-range",
            "t",
            f"{_when(time_us)} is more than 10 minutes after its receipt at {_when(received_us)}; "
            "set the box's clock, or send no base time",
        )


def _when(time_us: int) -> str:
    try:
        return iso(time_us) or ""
    except (ValueError, OverflowError, OSError):
        return f"{time_us / SECOND:.6g} s"


@lru_cache(maxsize=16_384)
def is_box(text: str) -> bool:
    """Whether the text is the URN of a device, RFC 9039, followed by the ``:`` that ends a base name."""
    return _BOX.fullmatch(text) is not None


def _read_plain(records: list[Any], form: Form, received_us: int | None) -> Pack | None:  # noqa: C901, PLR0911, PLR0912
    """The pack that nearly every box sends nearly always, without an object a record; None for any other.

    Plain is: base name and base time in the first record only; records of name, value, perhaps time, unit
    where the meaning has one, and no other field; all times absolute or all relative; all in range. Not
    plain is not wrong: `_read_any` decides that. Where this function does answer, it answers the same
    (tests/wire holds them together).
    """
    n, t, u, v, vb, bn, bt = _JSON_KEYS if form == "json" else _CBOR_KEYS
    try:
        first = dict(records[0])
        box = first.pop(bn)
        base = first.pop(bt, 0)
        if type(box) is not str or not is_box(box) or (type(base) is not int and type(base) is not float):
            return None
        base_us = round(base * 1e6)
        motor_t: list[int] = []
        motor_v: list[int] = []
        others: dict[str, tuple[list[int], list[int]]] = {}
        for record in (first, *records[1:]):
            size = len(record)
            if t in record:
                time = record[t]
                if type(time) is not float and type(time) is not int:
                    return None
                time_us = base_us + round(time * 1e6)
                size -= 1
            else:
                time_us = base_us
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
                motor_t.append(time_us)
                motor_v.append(round(value * 1000) if value > 0 else 0)
                continue
            if name == "lock" or name == "door":  # noqa: PLR1714 - a set would be built or looked up for each record
                value = record[vb]
                if size != 2 or (value is not True and value is not False):
                    return None
            elif name == "station":
                value = record[v]
                if (
                    size != 3
                    or record[u] != "count"
                    or type(value) is not int
                    or not 0 <= value <= HIGHEST_STATION
                ):
                    return None
            else:
                return None
            if name not in others:
                others[name] = ([], [])
            others[name][0].append(time_us)
            others[name][1].append(value)
        low = min(motor_t, default=LATEST_US)
        high = max(motor_t, default=-LATEST_US)
        for seen, _ in others.values():
            low = min(low, *seen)
            high = max(high, *seen)
    # A record that is no map, lacks a field or holds NaN: not plain.
    except (AttributeError, KeyError, TypeError, ValueError, OverflowError):
        return None
    shift = 0
    if high < RELATIVE_BELOW_US:
        if received_us is None:
            return None
        shift = received_us
    latest = LATEST_US - 1 if received_us is None else received_us + AHEAD_US
    if low < RELATIVE_BELOW_US <= high or low + shift < EARLIEST_US or high + shift > latest:
        return None
    motor = _series(motor_t, motor_v, shift) if motor_t else _NONE
    lock, station, door = (_series(*others[name], shift) if name in others else _NONE for name in SIGNALS[1:])
    return Pack(box, Trace(motor, lock, station, door), bool(shift))


def _series(times: list[int], values: list[int], shift: int) -> Series:
    if shift:
        times = [time + shift for time in times]
    before = times[0] - 1
    for time in times:
        if time <= before:
            return Series.of(times, values)
        before = time
    return Series(np.array(times, np.int64), np.array(values, np.int32))


def write_pack(
    box: str, trace: Trace, *, form: Form = "json", base_time_us: int | None = None, clock: bool = True
) -> bytes:
    """The message that a box sends for these readings; `read_pack` gives them back exactly.

    Args:
        box: the box's URN, with or without the ``:`` that ends a base name.
        trace: the readings; not empty.
        form: JSON or CBOR.
        base_time_us: the base time, UTC microseconds; without it the earliest reading's time.
        clock: False for a box without a clock: ``base_time_us`` is then the moment of sending, and the
            pack says of each reading only how long before that it was.

    Raises:
        ValueError: the trace is empty, the box is no device URN, or a box without a clock gives no moment
        of sending.
    """
    box = box if box.endswith(":") else box + ":"
    if not is_box(box):
        raise ValueError(f"{box!r} is no device URN of RFC 9039")
    if not clock and base_time_us is None:
        raise ValueError("a box without a clock needs base_time_us, the moment of sending")
    base = trace.first if base_time_us is None else base_time_us
    n, t, u, v, vb, bn, bt = _JSON_KEYS if form == "json" else _CBOR_KEYS
    records: list[dict[str | int, object]] = []
    for name, series in zip(SIGNALS, trace.series(), strict=True):
        for time, value in zip((series.t - base).tolist(), series.v.tolist(), strict=True):
            record: dict[str | int, object] = {n: name}
            if name == "motor":
                record[u], record[v] = "A", value / 1000
            elif name == "station":
                record[u], record[v] = "count", value
            else:
                record[vb] = bool(value)
            if time:
                record[t] = time / SECOND
            records.append(record)
    if not records:
        raise ValueError("an empty trace makes no pack")
    head: dict[str | int, object] = {bn: box}
    if clock:
        head[bt] = base / SECOND if base % SECOND else base // SECOND
    records[0] = head | records[0]
    return orjson.dumps(records) if form == "json" else cbor2.dumps(records)
