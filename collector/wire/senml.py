"""SenML, RFC 8428: a pack becomes resolved records (§4.6). General: knows nothing of saws.

What the RFC leaves to the receiver is decided here as follows.

- A record that holds base fields only sets them and yields nothing, as in the RFC's own example in §5.1.7.
- "Now" (§4.5.3) is the time of receipt. Without one (a file that is read later) relative times are refused.
"""

from __future__ import annotations

import base64
import math
import re
from dataclasses import dataclass, field
from decimal import Decimal
from typing import TYPE_CHECKING, Any, Final

from collector.wire.forms import CBOR_LABELS, Form, parse
from collector.wire.refusal import Place, show
from collector.words import later

if TYPE_CHECKING:
    from collections.abc import Iterator

VERSION: Final = 10
"""The version of RFC 8428 (§4.4); a pack of a higher one must not be used."""
RELATIVE_BELOW_US: Final = (1 << 28) * 1_000_000
"""Times below 2^28 s are relative to now (§4.5.3), here in microseconds."""

_LABEL_OF: Final = {number: label for label, number in CBOR_LABELS.items()}
_BASE_LABELS: Final = frozenset(label for label in CBOR_LABELS if label.startswith("b"))
_VALUE_LABELS: Final = ("v", "vs", "vb", "vd")
_NAME: Final = re.compile(r"[A-Za-z0-9][A-Za-z0-9\-:./_]*", re.ASCII)
_BASE64URL: Final = re.compile(r"[A-Za-z0-9\-_]*", re.ASCII)
_FARTHEST_US: Final = 1 << 62


@dataclass(frozen=True, slots=True)
class Record:
    """A resolved record (§4.6).

    ``time_us`` is UTC microseconds. ``value`` is a float for ``v`` (base value added), bool for ``vb``, str
    for ``vs``, bytes for ``vd``, None where the record has only a sum. ``sum`` has the base sum added;
    ``update_s`` is the update time in seconds. ``version`` is None for version 10, as §4.6 wants it. ``relative``: the
    time counted from the receipt.
    """

    name: str
    unit: str | None
    time_us: int
    value: float | bool | str | bytes | None
    sum: float | None = None
    update_s: float | None = None
    version: int | None = None
    relative: bool = field(default=False, compare=False)


def resolve(payload: bytes, received_us: int | None) -> list[Record]:
    """The resolved records of a pack, in chronological order; records of the same time keep their order.

    Args:
        payload: the pack as it came, JSON or CBOR.
        received_us: time of receipt, UTC microseconds; None refuses relative times.

    Raises:
        Refusal: the payload breaks RFC 8428 or a limit of this module.
    """
    records, form = parse(payload)
    return sorted((r for _, r in resolved(records, form, received_us)), key=lambda r: r.time_us)


def resolved(records: list[Any], form: Form, received_us: int | None) -> Iterator[tuple[int, Record]]:
    """Resolve parsed records one by one in the pack's order, each with its index in the pack.

    Raises:
        Refusal: a record breaks RFC 8428.
    """
    bases: dict[str, Any] = {"bn": "", "bt": 0, "bu": None, "bv": 0.0}
    version: int | None = None
    for index, raw in enumerate(records):
        at = Place(index, len(records))
        fields = _fields(raw, form, at)
        own_version = _version(fields["bver"], form, at) if "bver" in fields else None
        if version is None:
            version = own_version or VERSION
        elif own_version not in {None, version}:
            at.refuse(
                "bad-version",
                "bver",
                later("all records of a pack must have one version; give it in the first record"),
            )
        _take_bases(bases, fields, at)
        if fields and not (fields.keys() - _BASE_LABELS):
            continue
        yield index, _record(fields, bases, version, received_us, at)


def _fields(raw: object, form: Form, at: Place) -> dict[str, Any]:
    """The record's known fields by JSON label; §4.4 says which unknown ones may be ignored."""
    if not isinstance(raw, dict):
        at.refuse(
            "bad-record", None, later("it is {value}, not a map of fields; see RFC 8428 §5 and §6"), value=show(raw)
        )
    if not raw:
        at.refuse("bad-record", None, later("it has no field; leave it out"))
    known: dict[str, Any] = {}
    foreign = False
    for key, value in raw.items():
        label = _LABEL_OF.get(key) if form == "cbor" and type(key) is int else key
        if isinstance(label, str):
            if label in CBOR_LABELS:
                if label in known:
                    at.refuse(
                        "bad-record",
                        label,
                        later("it is given twice, once by name and once by number; give it once"),
                    )
                known[label] = value
                continue
            if label.endswith("_"):
                at.refuse(
                    "unknown-field", label, later("its name ends with '_', so it must be understood, and it is not")
                )
        elif type(key) is not int:
            at.refuse(
                "bad-record",
                None,
                later("the label {value} is neither a text nor an integer, RFC 8428 §6"),
                value=show(key),
            )
        foreign = True
    if not known and foreign:
        at.refuse("bad-record", None, later("it has no field that RFC 8428 knows; give a name and a value"))
    return known


def _version(value: object, form: Form, at: Place) -> int:
    # JSON has one kind of number, CBOR allows an unsigned integer only (§6).
    if form == "json" and type(value) is float and value.is_integer():
        value = int(value)
    if type(value) is not int or value <= 0:
        at.refuse(
            "bad-version",
            "bver",
            later("{value} is not a positive integer; leave it out for version {version}"),
            value=show(value),
            version=VERSION,
        )
    if value > VERSION:
        at.refuse(
            "bad-version",
            "bver",
            later("version {value} is newer than {version}; send RFC 8428's version"),
            value=show(value),
            version=VERSION,
        )
    return value


def _take_bases(bases: dict[str, Any], fields: dict[str, Any], at: Place) -> None:
    for label in ("bn", "bu"):
        if label in fields:
            bases[label] = _text(fields[label], label, at)
    for label in ("bt", "bv", "bs"):
        if label in fields:
            bases[label] = _number(fields[label], label, at)


def _record(fields: dict[str, Any], bases: dict[str, Any], version: int, received_us: int | None, at: Place) -> Record:
    name = bases["bn"] + (_text(fields["n"], "n", at) if "n" in fields else "")
    if not _NAME.fullmatch(name):
        at.refuse(
            "bad-name",
            "n",
            later(
                "base name and name give {value}; it must begin with a letter or digit and consist of A-Z a-z "
                "0-9 - : . / _ only, RFC 8428 §4.5.1"
            ),
            value=show(name),
        )
    given = [label for label in _VALUE_LABELS if label in fields]
    if len(given) > 1:
        at.refuse(
            "bad-value",
            given[1],
            later("the record has {n} value fields, {names}; give one"),
            n=len(given),
            names=" and ".join(given),
        )
    if not given and "s" not in fields:
        at.refuse("bad-value", None, later("it has no value; give one of v, vb, vs, vd"))
    total = _number(fields["s"], "s", at) if "s" in fields else None
    if "bs" in bases:
        total = _finite(bases["bs"] + (total or 0.0), "s", at)
    time_us, relative = _time(fields, bases, received_us, at)
    return Record(
        name=name,
        unit=_text(fields["u"], "u", at) if "u" in fields else bases["bu"],
        time_us=time_us,
        value=_value(fields, given[0], bases, at) if given else None,
        sum=total,
        update_s=_number(fields["ut"], "ut", at) if "ut" in fields else None,
        version=None if version == VERSION else version,
        relative=relative,
    )


def _value(fields: dict[str, Any], label: str, bases: dict[str, Any], at: Place) -> float | bool | str | bytes:
    value = fields[label]
    if label == "v":
        return _finite(bases["bv"] + _number(value, "v", at), "v", at)
    if label == "vs":
        return _text(value, "vs", at)
    if label == "vb":
        if not isinstance(value, bool):
            at.refuse("bad-value", "vb", later("{value} is neither true nor false; send a boolean"), value=show(value))
        return value
    if isinstance(value, bytes):  # CBOR; JSON has no bytes
        return value
    # A length of 4n + 1 is no base64.
    if not isinstance(value, str) or not _BASE64URL.fullmatch(value) or len(value) % 4 == 1:
        at.refuse("bad-value", "vd", later("{value} is not base64url without padding, RFC 8428 §5"), value=show(value))
    return base64.urlsafe_b64decode(value + "=" * (-len(value) % 4))


def _time(fields: dict[str, Any], bases: dict[str, Any], received_us: int | None, at: Place) -> tuple[int, bool]:
    # Base time and time are rounded to microseconds apart: the sum of two doubles at 1.7e9 would lose some
    # of them.
    time_us = micros(bases["bt"]) + (micros(_number(fields["t"], "t", at)) if "t" in fields else 0)
    relative = time_us < RELATIVE_BELOW_US
    if relative:
        if received_us is None:
            at.refuse(
                "relative-time",
                "t",
                later("the time counts from now, and a recorded pack has no now; give a base time"),
            )
        time_us += received_us
    if abs(time_us) > _FARTHEST_US:
        at.refuse("time-out-of-range", "t", later("the time is more than 100 000 years away; set the box's clock"))
    return time_us, relative


def micros(seconds: float) -> int:
    """Seconds to the nearest whole microsecond."""
    return round(seconds * 1e6) if abs(seconds) < 1e18 else int(seconds) * 1_000_000


def _text(value: object, label: str, at: Place) -> str:
    if not isinstance(value, str):
        at.refuse("bad-text", label, later("{value} is not a text"), value=show(value))
    return value


def _number(value: object, label: str, at: Place) -> float:
    """A JSON number, or in CBOR an integer, a float or a decimal fraction (§6)."""
    if isinstance(value, bool) or not isinstance(value, int | float | Decimal):
        at.refuse("bad-number", label, later("{value} is not a number"), value=show(value))
    try:
        return _finite(float(value), label, at)
    except OverflowError:
        at.refuse("bad-number", label, later("{value} is beyond the numbers that SenML can hold"), value=show(value))


def _finite(value: float, label: str, at: Place) -> float:
    if not math.isfinite(value):
        at.refuse(
            "bad-number",
            label,
            later("{value} is no number to work with; leave out a reading that failed"),
            value=value,
        )
    return value
