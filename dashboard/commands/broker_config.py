"""``kerfbook broker-config``: a broker's configuration, users and certificates for the saws of kerfbook.toml."""

from __future__ import annotations

import datetime as dt
import ipaddress
import re
import sys
from pathlib import Path, PurePosixPath
from typing import TYPE_CHECKING

from api.tongues.say import gettext, later, reason
from dashboard.broker import folder as filling
from dashboard.broker.texts import COLLECTOR, box_user
from dashboard.commands import codes
from dashboard.commands.options import add_config, unfit
from dashboard.config import ConfigError, load

HELP = later("write the configuration of a Mosquitto that only your boxes can use, with certificates")
MORE = later("""
Writes a folder (default: kerfbook-broker beside kerfbook.toml) with a Mosquitto configuration,
a user with password and topic rights for every saw's box and for Kerfbook, and certificates
of an authority of your own. A box can then publish to the topics of its own saw and read
nothing. Passwords, keys and the authority that are there are kept: use it again after you
added or removed a saw, moved the broker, or when `kerfbook doctor` says that its certificate
ends. Prints what to put into each box, and where its password stands.

example: kerfbook broker-config --host broker.example --host 192.0.2.7

Exit code: 0 written, 1 a file could not be read or written, 2 wrong arguments or configuration.
""")

if TYPE_CHECKING:
    import argparse

    from dashboard.config import Settings

_LOCAL = ("localhost", "127.0.0.1", "::1")
_INSTALLED = PurePosixPath("/etc/mosquitto/kerfbook")
_DATA = PurePosixPath("/var/lib/mosquitto")


def add(parser: argparse.ArgumentParser) -> None:
    """Describe the arguments."""
    add_config(parser)
    parser.add_argument(
        "--folder", type=Path, metavar="DIR", help=gettext("default: kerfbook-broker beside kerfbook.toml")
    )
    parser.add_argument(
        "--host",
        type=_host,
        action="append",
        default=[],
        metavar="NAME",
        help=gettext("name or address by which boxes reach the broker, again for more (default: the host in [broker])"),
    )
    parser.add_argument("--port", type=_port, default=8883, help=gettext("for boxes (default: 8883)"))
    parser.add_argument(
        "--collector-port", type=_port, default=8884, metavar="PORT", help=gettext("for Kerfbook (default: 8884)")
    )
    parser.add_argument(
        "--installed",
        type=PurePosixPath,
        default=_INSTALLED,
        metavar="DIR",
        help=gettext("where the files of broker/ will lie on the broker's computer (default: {path})", path=_INSTALLED),
    )
    parser.add_argument(
        "--data",
        type=PurePosixPath,
        default=_DATA,
        metavar="DIR",
        help=gettext("the broker's memory (default: {path})", path=_DATA),
    )
    parser.add_argument(
        "--renew",
        action="append",
        default=[],
        metavar="SAW",
        help=gettext("a new password for this saw's box, as after a theft"),
    )
    parser.add_argument("--show-passwords", action="store_true", help=gettext("print the passwords, too"))


def _host(text: str) -> str:
    try:
        return str(ipaddress.ip_address(text))
    except ValueError:
        if re.fullmatch(r"(?=.{1,253}$)[A-Za-z0-9]([A-Za-z0-9-]*[A-Za-z0-9])?(\.[A-Za-z0-9-]+)*", text):
            return text.lower()
        raise unfit(later("{found} is no host name or address, such as broker.example"), text) from None


def _port(text: str) -> int:
    if not text.isdigit() or not 0 < int(text) < 65536:
        raise unfit(later("{found} is no port from 1 to 65535"), text)
    return int(text)


def run(args: argparse.Namespace) -> int:
    """Write, and say what to do with it."""
    folder: Path = (args.folder or args.config.parent / "kerfbook-broker").absolute()
    try:
        plan = _plan(args, load(args.config))
    except (ConfigError, OSError, _MisusedError) as error:
        print("kerfbook broker-config:", reason(error), file=sys.stderr)
        return codes.MISUSED
    try:
        new = filling.fill(folder, plan, dt.datetime.now(dt.UTC), args.renew)
    except (OSError, ValueError) as error:
        print("kerfbook broker-config:", reason(error), file=sys.stderr)
        return codes.FLAWED
    _tell(plan, folder, new, show=args.show_passwords)
    return codes.DONE


class _MisusedError(Exception):
    """Arguments that do not fit each other or the configuration."""


def _plan(args: argparse.Namespace, settings: Settings) -> filling.Plan:
    saws = [saw.name for saw in settings.saws]
    if strange := sorted(set(args.renew) - set(saws)):
        raise _MisusedError(
            gettext(
                "there is no saw {saw} in {path}; there are {saws}",
                saw=repr(strange[0]),
                path=args.config,
                saws=", ".join(saws),
            )
        )
    if args.port == args.collector_port:
        raise _MisusedError(gettext("boxes and Kerfbook need ports of their own"))
    hosts = args.host or [host for host in [settings.broker.host] if host not in _LOCAL]
    if not hosts:
        raise _MisusedError(gettext("by which name or address do boxes reach the broker? Say it with --host"))
    if any(character.isspace() for character in f"{args.installed}{args.data}"):
        raise _MisusedError(
            gettext("Mosquitto's folders must have no space in their names; see --installed and --data")
        )
    names = tuple(dict.fromkeys([*hosts, *_LOCAL]))
    return filling.Plan(settings.site.name, saws, names, args.installed, args.data, args.port, args.collector_port)


def _tell(plan: filling.Plan, folder: Path, new: list[str], *, show: bool) -> None:
    def password(path: Path) -> str:
        return path.read_text().strip() if show else gettext("in {path}", path=path)

    host, site = plan.hosts[0], plan.site
    print(gettext("wrote {path}", path=folder))
    broker, installed = folder / "broker", plan.installed
    print("\n" + gettext("The broker, on {host}, as root:", host=host))
    if PurePosixPath(broker) != installed:
        print(f"  mkdir -p {installed} && cp {broker}/* {installed}/")
    print(f"  chown -R mosquitto: {installed}")
    print(f"  cp {installed / 'mosquitto.conf'} /etc/mosquitto/mosquitto.conf && systemctl restart mosquitto")
    print(" ", gettext("(users and rights alone are read again on `systemctl reload mosquitto`)"))
    print("\n" + gettext("Kerfbook: this in its kerfbook.toml"))
    print(f'  [broker]\n  host = "{host}"\n  port = {plan.collector_port}\n  tls = true')
    print(f'  ca_file = "{folder / "collector/ca.pem"}"\n  username = "{COLLECTOR}"')
    print(f'  password_file = "{folder / "collector/password"}"')
    for saw in plan.saws:
        place = folder / "boxes" / saw
        head = later("The box of {saw} (new password):") if saw in new else later("The box of {saw}:")
        print("\n" + gettext(head, saw=saw))
        rows = (
            (gettext("broker"), gettext("{host}, port {port}, TLS 1.2 or newer", host=host, port=plan.boxes_port)),
            (gettext("authority"), place / "ca.pem"),
            (gettext("user name"), box_user(saw)),
            (gettext("password"), password(place / "password")),
            (gettext("publishes to"), f"kerfbook/{site}/{saw}/readings"),
            (gettext("last will"), f"kerfbook/{site}/{saw}/status"),
        )
        width = max(len(word) for word, _ in rows)
        for word, value in rows:
            print(f"  {word:<{width}}  {value}")
    gone = sorted(path.name for path in (folder / "boxes").iterdir() if path.name not in plan.saws)
    if gone:
        told = gettext(
            "Not in kerfbook.toml and let in no more: {saws}; remove their folders in {path}",
            saws=", ".join(gone),
            path=folder / "boxes",
        )
        print(f"\n{told}")
    print("\n" + gettext("SHA-256 of the authority: {digest}", digest=filling.fingerprint(folder)))
    print(
        gettext("Keep {path} where only you can read it: who has its key can pose as your broker.", path=folder / "ca")
    )
