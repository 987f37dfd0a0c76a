"""The folder that `kerfbook broker-config` fills: what is there and secret stays, all else is written anew.

ca/           ca.key, ca.pem            the authority; nobody needs its key but this command
broker/       mosquitto.conf …          for the broker's computer
collector/    password, ca.pem          for Kerfbook
boxes/SAW/    password, ca.pem          for the box of each saw
"""

from __future__ import annotations

import os
import secrets
from dataclasses import dataclass
from typing import TYPE_CHECKING

from api.tongues.say import gettext
from dashboard.broker import certificates, texts

if TYPE_CHECKING:
    import datetime as dt
    from collections.abc import Callable, Sequence
    from pathlib import Path, PurePath

_LETTERS = "abcdefghjkmnpqrstuvwxyz23456789"  # none that is read as another: somebody types it into a box
_GROUPS, _LENGTH = 4, 5  # 99 bits


@dataclass(frozen=True, slots=True)
class Plan:
    """What the folder is to hold.

    Attributes:
        site: name of the site.
        saws: their names.
        hosts: names and addresses by which the broker is reached; the first is told to people.
        installed: where the files of ``broker/`` will lie on the broker's computer.
        data: where the broker keeps messages.
        boxes_port: where boxes connect.
        collector_port: where Kerfbook connects.
    """

    site: str
    saws: Sequence[str]
    hosts: Sequence[str]
    installed: PurePath
    data: PurePath
    boxes_port: int
    collector_port: int


def fill(folder: Path, plan: Plan, now: dt.datetime, renew: Sequence[str] = ()) -> list[str]:
    """Write everything.

    Args:
        folder: is made if it is not there.
        plan: what it is to hold.
        now: the present, from which certificates count.
        renew: saws whose box gets a new password.

    Returns:
        The saws whose password is new.

    Raises:
        OSError: a file cannot be read or written.
        ValueError: a key or certificate that is there is not what it should be.
    """
    for part in ("", "ca", "broker", "collector", "boxes", *(f"boxes/{saw}" for saw in plan.saws)):
        (folder / part).mkdir(mode=0o700, parents=True, exist_ok=True)
    ca_key = _kept(folder / "ca/ca.key", certificates.new_key)
    ca = _kept(folder / "ca/ca.pem", lambda: certificates.authority(ca_key, plan.site, now))
    key = _kept(folder / "broker/server.key", certificates.new_key)
    _write(folder / "broker/server.pem", certificates.server(key, ca_key, ca, plan.hosts, now))
    for saw in renew:
        (folder / f"boxes/{saw}/password").unlink(missing_ok=True)
    new = [saw for saw in plan.saws if not (folder / f"boxes/{saw}/password").exists()]
    boxes = {texts.box_user(saw): _password(folder / f"boxes/{saw}/password") for saw in plan.saws}
    own = {texts.COLLECTOR: _password(folder / "collector/password")}
    for place in ("collector", *(f"boxes/{saw}" for saw in plan.saws)):
        _write(folder / place / "ca.pem", ca)
    broker = folder / "broker"
    conf = texts.configuration(plan.installed, plan.data, plan.boxes_port, plan.collector_port)
    _write(broker / "mosquitto.conf", conf.encode())
    for who, users, acl in (
        ("boxes", boxes, texts.boxes_acl(plan.site, plan.saws)),
        ("collector", own, texts.collector_acl(plan.site)),
    ):
        salted = {user: (password, secrets.token_bytes(12)) for user, password in users.items()}
        _write(broker / f"passwords-{who}", texts.passwords(salted).encode())
        _write(broker / f"acl-{who}", acl.encode())
    return new


def fingerprint(folder: Path) -> str:
    """Of the authority's certificate."""
    return certificates.fingerprint((folder / "ca/ca.pem").read_bytes())


def _kept(path: Path, make: Callable[[], bytes]) -> bytes:
    """A file that is written once and never again."""
    try:
        return path.read_bytes()
    except FileNotFoundError:
        made = make()
        with os.fdopen(os.open(path, os.O_WRONLY | os.O_CREAT | os.O_EXCL, 0o600), "wb") as file:
            file.write(made)
        return made


def _password(path: Path) -> str:
    def make() -> bytes:
        groups = ("".join(secrets.choice(_LETTERS) for _ in range(_LENGTH)) for _ in range(_GROUPS))
        return ("-".join(groups) + "\n").encode()

    found = _kept(path, make).decode().strip()
    if not found:
        raise ValueError(gettext("{path} is empty: put the password into it, or remove it for a new one", path=path))
    return found


def _write(path: Path, content: bytes) -> None:
    """In one step, so that a broker that starts at that moment reads the old or the new."""
    part = path.with_name(path.name + ".part")
    part.unlink(missing_ok=True)
    with os.fdopen(os.open(part, os.O_WRONLY | os.O_CREAT | os.O_EXCL, 0o600), "wb") as file:
        file.write(content)
    part.replace(path)
