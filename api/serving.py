"""What the web server waitress needs to know so that live streams are served well.

A stream holds one of waitress's threads for as long as it is open, and waitress itself never gives up on a
client that stays connected and does not read.
"""

from __future__ import annotations

import socket
from typing import Any

MAX_STREAMS = 48
"""Live streams that are served at once."""

_UNREAD_BYTES = 128 * 1024


def waitress_settings(max_streams: int = MAX_STREAMS) -> dict[str, Any]:
    """Arguments for ``waitress.create_server``: a thread for each stream and some for all other requests."""
    return {
        "threads": max_streams + 12,
        "connection_limit": 4 * max_streams + 100,
        "channel_request_lookahead": 1,  # lets waitress notice that a client left while its stream goes on
        "outbuf_high_watermark": _UNREAD_BYTES,  # a client that does not read holds no more than this
        "asyncore_use_poll": True,
    }


def give_up_on_silent_readers(server: Any, after_seconds: float = 30) -> None:
    """Lets the operating system close connections whose client has not taken any data for a while.

    Args:
        server: what ``waitress.create_server`` gave, before it runs.
        after_seconds: how long data may wait; a screen that is only switched off is gone after this, too.
    """
    option = getattr(socket, "TCP_USER_TIMEOUT", None)  # RFC 5482; Linux has it
    if option is not None:
        wait = (socket.IPPROTO_TCP, option, int(after_seconds * 1000))
        server.adj.socket_options = [*server.adj.socket_options, wait]
