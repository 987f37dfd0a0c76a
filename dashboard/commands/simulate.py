"""``kerfbook simulate``: an imaginary saw, into a file or to a broker."""

from __future__ import annotations

import datetime as dt
import json
import ssl
import sys
from contextlib import ExitStack
from dataclasses import replace
from pathlib import Path
from typing import TYPE_CHECKING

from api.tongues.say import gettext, later
from dashboard.commands import codes
from dashboard.commands.options import saw_name, unfit
from simulator import world
from simulator.play import BoxClient, deliveries, pace, write_packs

if TYPE_CHECKING:
    import argparse
    from collections.abc import Iterator

    from simulator.shop import Played

HELP = later("play an imaginary saw into a file, or to a broker as its box would")
MORE = later("""
Everything follows from the seed: the same seed, saw and day give the same readings. With a
FILE (- is stdout) the packs go there, one a line, to be read by `kerfbook replay`. With
--to they are published as the box of that saw would, at --speed times life. --truth writes
what really happened, one fact a line in the format of `kerfbook replay`, with its causes.

examples: kerfbook simulate heron.jsonl --saw heron --day 2026-03-02 --truth truth.jsonl
          kerfbook simulate --to 127.0.0.1:1883 --site workshop --saw heron --as saw-1 --speed 60

Exit code: 0 played, 1 the broker did not take everything, 2 wrong arguments or a file that
cannot be written.
""")


def add(parser: argparse.ArgumentParser) -> None:
    """Describe the arguments."""
    parser.add_argument("file", nargs="?", metavar="FILE", help=gettext("write the packs here"))
    parser.add_argument(
        "--saw",
        choices=sorted(world.SAWS),
        default="heron",
        help=gettext("which saw of the imaginary shop (default: heron)"),
    )
    parser.add_argument(
        "--day", type=_day, default=None, metavar="DATE", help=gettext("first day, as 2026-03-02 (default: yesterday)")
    )
    parser.add_argument("--days", type=_count, default=1, metavar="N", help=gettext("how many days (default: 1)"))
    parser.add_argument(
        "--seed", type=int, default=1, metavar="N", help=gettext("another seed, another life (default: 1)")
    )
    parser.add_argument("--truth", type=Path, metavar="FILE", help=gettext("write what really happened here"))
    parser.add_argument(
        "--to",
        type=_address,
        metavar="HOST[:PORT]",
        help=gettext("publish to this MQTT broker instead of writing a file"),
    )
    parser.add_argument(
        "--user",
        metavar="NAME",
        help=gettext("sign in at the broker under this name, with the password in --password-file"),
    )
    parser.add_argument(
        "--password-file", type=Path, metavar="FILE", help=gettext("holds the password and nothing else")
    )
    parser.add_argument(
        "--ca-file", type=Path, metavar="PEM", help=gettext("encrypt, and trust the authority in this file alone")
    )
    parser.add_argument(
        "--site",
        type=saw_name,
        default=world.SITE,
        metavar="NAME",
        help=gettext("site in the topic (default: {site})", site=world.SITE),
    )
    parser.add_argument(
        "--as", dest="alias", type=saw_name, metavar="NAME", help=gettext("saw in the topic (default: its own name)")
    )
    parser.add_argument(
        "--speed",
        type=_speed,
        default=float("inf"),
        metavar="X",
        help=gettext("times life when publishing (default: no waiting)"),
    )


def _day(text: str) -> dt.date:
    try:
        return dt.date.fromisoformat(text)
    except ValueError:
        raise unfit(later("{found} is no date; write it as 2026-03-02"), text) from None


def _count(text: str) -> int:
    if not text.isdigit() or not 1 <= int(text) <= 3660:
        raise unfit(later("{found} is not a number of days from 1 to 3660"), text)
    return int(text)


def _speed(text: str) -> float:
    try:
        speed = float(text)
    except ValueError:
        speed = 0
    if not speed > 0:
        raise unfit(later("{found} is no speed; 1 is as fast as life, 60 a minute in a second"), text)
    return speed


def _address(text: str) -> tuple[str, int]:
    host, colon, port = text.rpartition(":")
    if not colon:
        return text, 1883
    if not host or not port.isdigit() or not 0 < int(port) < 65536:
        raise unfit(later("{found} is no address; write it as 127.0.0.1:1883"), text)
    return host, int(port)


def run(args: argparse.Namespace) -> int:
    """Play."""
    if (args.file is None) == (args.to is None):
        print("kerfbook simulate:", gettext("name either a FILE or a broker with --to"), file=sys.stderr)
        return codes.MISUSED
    if (args.user is None) != (args.password_file is None):
        print("kerfbook simulate:", gettext("--user and --password-file belong together"), file=sys.stderr)
        return codes.MISUSED
    first = args.day or dt.datetime.now(world.ZONE).date() - dt.timedelta(days=1)
    days = world.history(args.saw, first, args.days, args.seed)
    try:
        return _publish(args, days) if args.to else _write(args, days)
    except OSError as error:
        print(f"kerfbook simulate: {error.filename or args.to}: {error.strerror or error}", file=sys.stderr)
        return codes.MISUSED


def _write(args: argparse.Namespace, days: Iterator[Played]) -> int:
    with ExitStack() as files:
        packs = sys.stdout.buffer if args.file == "-" else files.enter_context(Path(args.file).open("wb"))
        truth = files.enter_context(args.truth.open("wb")) if args.truth else None
        count = write_packs(days, packs, truth)
    print(gettext("packs of {saw} written: {n}", saw=args.saw, n=count), file=sys.stderr)
    return codes.DONE


def _publish(args: argparse.Namespace, days: Iterator[Played]) -> int:
    host, port = args.to
    saw = replace(world.SAWS[args.saw], name=args.alias or args.saw)
    user = (args.user, args.password_file.read_text("utf-8").strip()) if args.user else None
    tls = ssl.create_default_context(cafile=args.ca_file) if args.ca_file else None
    box = BoxClient(args.site, saw, host, port, user=user, tls=tls)
    box.start()
    count = 0
    try:
        with ExitStack() as files:
            truth = files.enter_context(args.truth.open("wb")) if args.truth else None
            for day in days:
                if truth:
                    truth.writelines(json.dumps(record).encode() + b"\n" for record in day.truth)
                count += pace(deliveries(day), box.send, speed=args.speed)
        taken = box.settle(30)
    finally:
        box.stop()
    print(gettext("packs of {saw} sent: {n}", saw=args.saw, n=count), file=sys.stderr)
    if not taken:
        told = gettext("the broker at {address} did not take all", address=f"{host}:{port}")
        print(f"kerfbook simulate: {told}{f' ({box.refused})' if box.refused else ''}", file=sys.stderr)
    return codes.DONE if taken else codes.FLAWED
