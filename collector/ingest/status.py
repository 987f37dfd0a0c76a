"""The status message of a box: ``{"online": true}``; retained, and the box's last will. Pure."""

from __future__ import annotations

import orjson

from collector.wire.refusal import Refusal
from collector.words import later

_LARGEST = 4096


def read_status(payload: bytes) -> bool:
    """Whether the box says that it is online; further members are ignored, so that boxes may say more one day.

    Raises:
        Refusal: ``bad-status``, the payload is no JSON object with a true or false ``online``.
    """
    try:
        status = orjson.loads(payload) if len(payload) <= _LARGEST else None
    except orjson.JSONDecodeError as error:
        raise Refusal(
            "bad-status", later('the status is not JSON ({error}); send {{"online": true}}'), error=error
        ) from error
    online = status.get("online") if isinstance(status, dict) else None
    if not isinstance(online, bool):
        raise Refusal("bad-status", later('the status must be a JSON object such as {"online": true}; correct the box'))
    return online
