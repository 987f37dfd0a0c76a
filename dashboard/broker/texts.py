"""Mosquitto's files as text: configuration, passwords, access rights. Pure; mosquitto.conf(5) describes the keys.

Two listeners, each with users of its own. At the boxes' listener the client id is the user name, whatever a box says:
otherwise a box that takes the collector's id would end its connection. The collector's listener leaves the id free,
because the collector, its alerts and `kerfbook doctor` sign in beside each other.
"""

from __future__ import annotations

import base64
import hashlib
from typing import TYPE_CHECKING

from collector.wire.topics import readings_filter, readings_topic, status_filter, status_topic

if TYPE_CHECKING:
    from collections.abc import Mapping, Sequence
    from pathlib import PurePath

COLLECTOR = "kerfbook"
"""User name of Kerfbook itself."""

_ROUNDS = 10_000
_HASH = "$7$"  # Mosquitto's mark for PBKDF2-HMAC-SHA512


def box_user(saw: str) -> str:
    """User name of a saw's box."""
    return f"box-{saw}"


def configuration(folder: PurePath, data: PurePath, boxes_port: int, collector_port: int) -> str:
    """``mosquitto.conf``.

    Args:
        folder: where the other files lie on the broker's computer.
        data: where the broker keeps messages.
        boxes_port: where boxes connect.
        collector_port: where Kerfbook connects.
    """
    return f"""\
# Written by `kerfbook broker-config`, which writes it again: put nothing of your own here.
per_listener_settings true

# Messages wait for a collector that is away: without limit (Mosquitto's own is 1000, the rest would be dropped), and
# over a loss of power, of which at most the last {_AUTOSAVE} s of waiting messages may be missing.
persistence true
persistence_location {data}/
autosave_interval {_AUTOSAVE}
max_queued_messages 0

log_dest stderr
log_type error
log_type warning
log_type notice

# The boxes.
listener {boxes_port}
max_packet_size {_LARGEST}
use_username_as_clientid true
{_secured(folder, "boxes")}
# Kerfbook.
listener {collector_port}
{_secured(folder, "collector")}"""


_AUTOSAVE = 60
_LARGEST = 1 << 20  # bytes; a pack of a second has some hundred


def _secured(folder: PurePath, who: str) -> str:
    return f"""\
certfile {folder / "server.pem"}
keyfile {folder / "server.key"}
tls_version tlsv1.2
allow_anonymous false
password_file {folder / f"passwords-{who}"}
acl_file {folder / f"acl-{who}"}
"""


def boxes_acl(site: str, saws: Sequence[str]) -> str:
    """A box may publish to the topics of its saw, and nothing else."""
    return "\n".join(
        f"user {box_user(saw)}\ntopic write {readings_topic(site, saw)}\ntopic write {status_topic(site, saw)}\n"
        for saw in saws
    )


def collector_acl(site: str) -> str:
    """Kerfbook may hear every box of the site, and publish its alerts."""
    return (
        f"user {COLLECTOR}\ntopic read {readings_filter(site)}\ntopic read {status_filter(site)}\n"
        f"topic write kerfbook/{site}/alerts\n"
    )


def passwords(users: Mapping[str, tuple[str, bytes]]) -> str:
    """A password file: users with password and salt."""
    return "".join(f"{user}:{hashed(password, salt)}\n" for user, (password, salt) in users.items())


def hashed(password: str, salt: bytes, rounds: int = _ROUNDS) -> str:
    """A password as Mosquitto keeps it since 2.0: ``$7$rounds$salt$key``, PBKDF2-HMAC-SHA512 of RFC 8018.

    Args:
        password: any text.
        salt: random bytes, 12 as ``mosquitto_passwd`` takes.
        rounds: iterations; Mosquitto reads them from the file.
    """
    key = hashlib.pbkdf2_hmac("sha512", password.encode(), salt, rounds)
    return f"{_HASH}{rounds}${base64.b64encode(salt).decode()}${base64.b64encode(key).decode()}"
