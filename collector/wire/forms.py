"""The two forms of a pack: JSON (RFC 8428 §5) and CBOR (§6), read into Python's lists and maps.

- The form is told from the first byte.
- Indefinite lengths in CBOR are for streams (§6); in a pack they are refused.
- A payload of more than 1 MiB is refused unread, one of more than 20 000 records before any is looked at.
"""

from __future__ import annotations

import io
from typing import Any, Final, Literal, NoReturn

import cbor2
import orjson

from collector.wire.refusal import Refusal
from collector.words import later

MAX_BYTES: Final = 1 << 20
MAX_RECORDS: Final = 20_000

Form = Literal["json", "cbor"]

CBOR_LABELS: Final = {
    "bver": -1, "bn": -2, "bt": -3, "bu": -4, "bv": -5, "bs": -6,
    "n": 0, "u": 1, "v": 2, "vs": 3, "vb": 4, "s": 5, "t": 6, "ut": 7, "vd": 8,
}  # fmt: skip
"""Every label of RFC 8428 and the integer that stands for it in CBOR (§4.3, table 1)."""

_SPACE: Final = b" \t\r\n"


def parse(payload: bytes) -> tuple[list[Any], Form]:
    """The payload as a list of what should be records, and its form; the records are not looked at.

    Raises:
        Refusal: no JSON, no CBOR, no array, empty, or too large.
    """
    if len(payload) > MAX_BYTES:
        raise Refusal(
            "too-large",
            later("the payload has {n} bytes, the limit is {most}; send a pack a second"),
            n=len(payload),
            most=MAX_BYTES,
        )
    text = payload.lstrip(_SPACE)
    if not text:
        raise Refusal("empty", later("the payload is empty; send a SenML pack, RFC 8428"))
    found: object
    form: Form
    if text[0] == 0x5B:
        found, form = _parse_json(payload), "json"
    elif 0x80 <= payload[0] <= 0x9F:
        found, form = _parse_cbor(payload), "cbor"
    else:
        raise Refusal(
            "not-senml",
            later(
                "the payload begins with the byte 0x{byte}, and a SenML pack is a JSON or CBOR array; send an "
                "array of records, RFC 8428"
            ),
            byte=f"{text[0]:02x}",
        )
    if not isinstance(found, list) or not found:
        raise Refusal("empty", later("the pack holds no record; send a pack only when there is something to report"))
    if len(found) > MAX_RECORDS:
        raise Refusal(
            "too-many-records",
            later("the pack holds {n} records, the limit is {most}; send a pack a second"),
            n=len(found),
            most=MAX_RECORDS,
        )
    return found, form


def _parse_json(payload: bytes) -> object:
    try:
        return orjson.loads(payload)
    except orjson.JSONDecodeError as error:
        raise Refusal(
            "not-json", later("the payload is no JSON: {error}; RFC 8428 §5 wants plain JSON in UTF-8"), error=error
        ) from error


def _refuse_tag(_: object) -> NoReturn:
    raise ValueError("a tag that SenML does not use")


# Decoders of tags that cost time or memory out of proportion (bigfloat, sharing, rational, regular
# expression, string references, sets) are shut off: SenML uses none of them, and the payload comes from a
# network.
_SHUT_TAGS: Final = dict.fromkeys((5, 25, 28, 29, 30, 35, 36, 37, 256, 258, 260, 261), _refuse_tag)


def _parse_cbor(payload: bytes) -> object:
    stream = io.BytesIO(payload)
    try:
        found = cbor2.CBORDecoder(
            stream,
            max_depth=16,
            allow_indefinite=False,
            allow_duplicate_keys=False,
            semantic_decoders=_SHUT_TAGS,
        ).decode()
    # Decoders of a tag's content may raise whatever their content provokes; every failure is the payload's.
    except Exception as error:
        raise Refusal(
            "not-cbor", later("the payload is no CBOR that SenML allows: {error}; see RFC 8428 §6"), error=error
        ) from error
    if stream.tell() != len(payload):
        raise Refusal(
            "not-cbor",
            later("{n} bytes follow the end of the pack; send one CBOR array a message"),
            n=len(payload) - stream.tell(),
        )
    return found
