"""A message of a saw's box, read and written; `collector.wire.meaning` says what it means."""

from __future__ import annotations

import cbor2
import orjson

from collector.facts import SECOND
from collector.signals import SIGNALS, Trace
from collector.wire.forms import Form, parse
from collector.wire.meaning import Pack, is_box, read_any
from collector.wire.plain import KEYS, read_plain

__all__ = ["Pack", "read_pack", "write_pack"]


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
    return read_plain(records, form, received_us) or read_any(records, form, received_us)


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
    n, t, u, v, vb, bn, bt = KEYS[form]
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
