"""What the records of a saw's box mean, and what refuses a pack: the rules in full.

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
from typing import TYPE_CHECKING, Any, Final

from collector.facts import SECOND, iso
from collector.signals import SIGNALS, Series, Trace
from collector.wire.refusal import Place, Refusal, show
from collector.wire.senml import Record, resolved
from collector.words import later

if TYPE_CHECKING:
    from collector.wire.forms import Form

LOWEST_AMPS: Final = -0.5
"""A box that subtracts its offset has noise round zero: down to here a current reads as 0."""
HIGHEST_AMPS: Final = 1000.0
HIGHEST_STATION: Final = 9999
EARLIEST_US: Final = 1_577_836_800 * SECOND  # 2020-01-01T00:00:00Z
LATEST_US: Final = 4_102_444_800 * SECOND  # 2100-01-01T00:00:00Z
AHEAD_US: Final = 600 * SECOND
"""A box's clock may be this much ahead of ours."""
BOOTED_US: Final = 10 * SECOND
"""A reading that counts from its receipt may be this much after it. A box that has just started and was not told the
time yet says how long it has run: small numbers, which RFC 8428 §4.5.3 reads as a time from now on."""

UNITS: Final = {"motor": "A", "station": "count"}
"""The unit of each signal that is a number; the others are switches (``vb``)."""

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


def read_any(records: list[Any], form: Form, received_us: int | None) -> Pack:
    """The rules in full, by way of resolved records; slower, and names what is wrong."""
    box, relative = "", False
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
                later(
                    "{value} is not the URN of one box; begin the pack with a base name such as "
                    "'urn:dev:mac:0024befffe804ff1:', RFC 9039, and send one pack a box"
                ),
                value=show(head + colon),
            )
        if signal not in times:
            at.refuse(
                "unknown-signal",
                "n",
                later("{value} is no signal; it must be one of {names}"),
                value=show(signal),
                names=", ".join(SIGNALS),
            )
        _check_time(record, received_us, at)
        relative |= record.relative
        times[signal].append(record.time_us)
        values[signal].append(_reading(signal, record, at))
    if not box:
        raise Refusal(
            "empty", later("the pack holds base fields and no reading; send it when there is something to report")
        )
    trace = Trace(*(Series.of(times[name], values[name]) if times[name] else Series.empty() for name in SIGNALS))
    return Pack(box, trace, relative)


def _reading(signal: str, record: Record, at: Place) -> int:
    value = record.value
    if signal not in UNITS:
        if not isinstance(value, bool):
            at.refuse(
                "bad-value", None, later("{signal} is a switch; send its state as true or false in 'vb'"), signal=signal
            )
        return int(value)
    if not isinstance(value, float):
        at.refuse("bad-value", None, later("{signal} is a number; send it in 'v'"), signal=signal)
    if record.unit != UNITS[signal]:
        at.refuse(
            "bad-unit",
            "u",
            later("the unit of {signal} is '{unit}', not {value}"),
            signal=signal,
            unit=UNITS[signal],
            value=show(record.unit),
        )
    if signal == "motor":
        if not LOWEST_AMPS <= value <= HIGHEST_AMPS:
            at.refuse(
                "current-out-of-range",
                "v",
                later("{value} A is outside {lowest} to {highest} A; check the clamp"),
                value=value,
                lowest=LOWEST_AMPS,
                highest=f"{HIGHEST_AMPS:.0f}",
            )
        return milliamps(value)
    if not (value.is_integer() and 0 <= value <= HIGHEST_STATION):
        at.refuse(
            "station-out-of-range",
            "v",
            later("{value} is not a whole number from 0 to {highest}"),
            value=value,
            highest=HIGHEST_STATION,
        )
    return int(value)


def milliamps(amps: float) -> int:
    """Whole milliamperes; the noise below zero is none."""
    return round(amps * 1000) if amps > 0 else 0


def _check_time(record: Record, received_us: int | None, at: Place) -> None:
    time_us = record.time_us
    if time_us < EARLIEST_US:
        at.refuse(
            "time-out-of-range",
            "t",
            later("{time} is before 2020; set the box's clock, or send no base time"),
            time=_when(time_us),
        )
    if received_us is None:
        if time_us >= LATEST_US:
            at.refuse("time-out-of-range", "t", later("{time} is after 2099; set the box's clock"), time=_when(time_us))
    elif record.relative and time_us > received_us + BOOTED_US:
        at.refuse(
            "time-out-of-range",
            "t",
            later(
                "the time counts from the receipt, and is {n} s after it; if the box's clock stands at 1970, let "
                "it send after it was set, or say how long before sending each reading was"
            ),
            n=f"{(time_us - received_us) / SECOND:.0f}",
        )
    elif time_us > received_us + AHEAD_US:
        at.refuse(
            "time-out-of-range",
            "t",
            later(
                "{time} is more than 10 minutes after its receipt at {receipt}; set the box's clock, or send no "
                "base time"
            ),
            time=_when(time_us),
            receipt=_when(received_us),
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
