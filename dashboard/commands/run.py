"""``kerfbook run``: the collector and the screens of a workshop, from its kerfbook.toml."""

from __future__ import annotations

import ipaddress
import logging
import ssl
import sys
import time
from typing import TYPE_CHECKING, NamedTuple

from api.tongues.say import gettext, later, ngettext, reason
from collector.backup.restore import unfinished
from collector.book.book import Book
from collector.book.entries import BookError
from collector.book.people import PeopleBook
from collector.broker import Broker as MqttBroker
from collector.facts import SECOND
from collector.torn import is_torn
from collector.trace.store import TraceError
from collector.wire.meaning import EARLIEST_US
from dashboard.commands import codes
from dashboard.commands.asking import agreed
from dashboard.commands.options import add_config
from dashboard.config import ConfigError, Settings, load, template
from dashboard.house import House, asked_to_stop
from dashboard.memory import collect_seldom, share_heap
from dashboard.notify import Supervisor
from dashboard.prepare import prepare

if TYPE_CHECKING:
    import argparse
    import threading
    from pathlib import Path

    from dashboard.config.settings import Broker

log = logging.getLogger(__name__)

_AGAIN_SECONDS = 60.0
_TORN = -1

HELP = later("collect from your saws and show the screens, as kerfbook.toml says")
MORE = later("""
Reads kerfbook.toml in this folder, or the file named with --config: site, saws, broker,
shifts, stores. Every fault in it is named with its line. Without a file, offers to write a
commented one. Runs until Ctrl-C.

Exit code: 0 stopped, 1 a store or an address could not be opened, 2 no configuration or a
wrong one.
""")


def add(parser: argparse.ArgumentParser) -> None:
    """Describe the arguments."""
    add_config(parser)
    parser.add_argument(
        "--write-config",
        action="store_true",
        help=gettext("write a commented example there, if there is none, and stop"),
    )
    parser.add_argument(
        "--no-alerts", action="store_true", help=gettext("let another process look for alerts: `kerfbook alerts`")
    )
    parser.add_argument("--check", action="store_true", help=gettext("check the configuration and stop"))


def run(args: argparse.Namespace) -> int:
    """Run, or prepare to."""
    path: Path = args.config
    if args.write_config:
        return _write(path)
    if not path.exists():
        return _offer(path)
    try:
        settings = load(path)
    except ConfigError as error:
        count = ngettext(
            "1 fault in {path}; nothing was started.",
            "{n} faults in {path}; nothing was started.",
            len(error.faults),
            path=path,
        )
        print(f"{error}\n\n{count}", file=sys.stderr)
        return codes.MISUSED
    except OSError as error:
        print(f"kerfbook run: {path}: {error.strerror}", file=sys.stderr)
        return codes.MISUSED
    if args.check:
        print(
            ngettext(
                "{path} is in order: 1 saw at {place}",
                "{path} is in order: {n} saws at {place}",
                len(settings.saws),
                path=path,
                place=settings.site.title,
            )
        )
        return codes.DONE
    return work("run", settings, watch=not args.no_alerts)


_TOO_WIDE = (
    later(
        "kerfbook {name}: will not listen at {host}: nobody has an account yet, so whoever in your network came first "
        "could become the owner. Make the first account on this computer, in one of these ways:"
    ),
    later("  kerfbook people add NAME --role owner     asks for a password"),
    later(
        '  [web] host = "127.0.0.1", kerfbook run    prints a code for the sign-in page; afterwards set the host again'
    ),
)


def loopback(host: str) -> bool:
    """Whether only this computer can reach that address."""
    try:
        return ipaddress.ip_address(host).is_loopback
    except ValueError:
        return host == "localhost"


def owned(url: str) -> bool:
    """Whether a book has an owner who can sign in."""
    with Book(url) as book:
        return PeopleBook(book).owned()


def work(name: str, settings: Settings, *, collects: bool = True, shows: bool = True, watch: bool) -> int:
    """Collect, show, or both, until stopped; a house whose store is damaged is closed, mended and opened again.

    Args:
        name: of the command, for messages.
        settings: of the workshop.
        collects: from the broker.
        shows: the screens.
        watch: look for alerts and tell people; needs the screens.

    Returns:
        the exit code.
    """
    left = unfinished(settings.stores.trace, settings.stores.book)
    if left is not None:
        text = gettext(
            "a restore has not come to its end: {path} is there; run it again with the same backup, or delete "
            "{path} to start without what is in it",
            path=left,
        )
        print(f"kerfbook {name}: {text}", file=sys.stderr)
        return codes.FLAWED
    share_heap()
    collect_seldom(len(settings.saws) if collects else 0)
    stopped, supervisor = asked_to_stop(), Supervisor()
    if not _clock_is_set(name, stopped):
        return codes.DONE
    prepare(settings.stores.book)
    mend, code = False, codes.DONE
    doing = _Doing(name, collects=collects, shows=shows, watch=watch)
    while not stopped.is_set():
        opened = time.monotonic()
        try:
            code = _open(settings, doing, stopped, supervisor, mend=mend)
        except Exception as error:
            if mend or not is_torn(error):
                raise
            log.error("a store is damaged (%s); the house is opened again and mends it", error)  # noqa: TRY400
            code = _TORN
        if code != _TORN:
            return code
        if not collects:
            torn = gettext("a store is damaged; the collector mends it, start this again then")
            print(f"kerfbook {name}: {torn}", file=sys.stderr)
            return codes.FLAWED
        if mend and time.monotonic() - opened < _AGAIN_SECONDS:  # a disk that tears faster than it can be mended
            stopped.wait(_AGAIN_SECONDS)
        mend = True
    return codes.DONE


def _clock_is_set(name: str, stopped: threading.Event) -> bool:
    """Waits until this computer's clock may be right; False: stopped before.

    A small computer without a battery begins in 1970. Tasks that begin then would be due for decades.
    """
    if time.time() * SECOND < EARLIEST_US:
        said = gettext("this computer's clock is not set; waiting until it is. Give it a time server.")
        print(f"kerfbook {name}: {said}", file=sys.stderr, flush=True)
    while time.time() * SECOND < EARLIEST_US:
        if stopped.wait(1.0):
            return False
    return True


class _Doing(NamedTuple):
    """What a command does; see `work`."""

    name: str
    collects: bool
    shows: bool
    watch: bool


def _open(settings: Settings, doing: _Doing, stopped: threading.Event, supervisor: Supervisor, *, mend: bool) -> int:
    """Collect and show until stopped, or until a store turns out to be damaged."""
    web = settings.web
    try:
        broker = connection(settings.broker)
        boxes = {saw.name: saw.box for saw in settings.saws if saw.box is not None}
        house = House(
            settings.site,
            settings.stores.trace,
            settings.stores.book,
            settings.detection,
            boxes,
            settings.stores.folder,
            settings.stores.ages,
            facts_as_points=settings.stores.facts_as_points,
            mend=mend,
        )
    except (BookError, TraceError, OSError) as error:
        if is_torn(error):
            raise
        print(f"kerfbook {doing.name}: {reason(error)}", file=sys.stderr)
        return codes.FLAWED
    try:
        if doing.shows and not loopback(web.host) and not owned(settings.stores.book):
            print("\n".join(gettext(text, name=doing.name, host=web.host) for text in _TOO_WIDE), file=sys.stderr)
            return codes.FLAWED
        _begin(house, settings, doing, broker)
        print(gettext("Ctrl-C stops."), flush=True)
        supervisor.ready()
        supervisor.wait(stopped, house.vitals.moves, house.torn)
        if house.torn.is_set():
            return _TORN
    except OSError as error:
        at = f"{web.host}:{web.port}"
        print(
            f"kerfbook {doing.name}:",
            gettext("cannot listen at {address}: {error}", address=at, error=error),
            file=sys.stderr,
        )
        return codes.FLAWED
    finally:
        house.close()
    return codes.DONE


def _begin(house: House, settings: Settings, doing: _Doing, broker: MqttBroker) -> None:
    """What the command does, and says of it."""
    web = settings.web
    if doing.shows:
        port = house.open_screens(
            settings.broker.address, web.host, web.port, address=web.address, proxy=web.proxy, contact=web.contact
        )
    if doing.collects:
        house.listen(broker)
        print(gettext("collecting from {address}", address=settings.broker.address))
    if doing.shows:
        if doing.watch:
            house.keep_watch(settings.telling, web.address or f"http://{web.host}:{port}/", broker)
        print(gettext("screens at {address}", address=f"http://{web.host}:{port}/"))
        code = house.door.new_first_code()
        if code:
            page = f"http://{web.host}:{port}/sign-in"
            print(gettext("nobody has an account yet: open {page} and give this code, good once", page=page), code)


def connection(broker: Broker) -> MqttBroker:
    """What the collector needs to connect; the password is read only now."""
    password = broker.password_file.read_text("utf-8").strip() if broker.password_file else None
    tls = ssl.create_default_context(cafile=broker.ca_file) if broker.tls else None
    return MqttBroker(
        broker.host,
        broker.port,
        broker.username,
        password,
        tls,
        broker.client_id,
        share=broker.share,
        saws=broker.saws,
    )


def _write(path: Path) -> int:
    try:
        with path.open("x", encoding="utf-8") as file:
            file.write(template())
    except FileExistsError:
        print("kerfbook run:", gettext("{path} exists and was left as it is", path=path), file=sys.stderr)
        return codes.MISUSED
    except OSError as error:
        print(
            "kerfbook run:", gettext("cannot write {path}: {error}", path=path, error=error.strerror), file=sys.stderr
        )
        return codes.FLAWED
    print(gettext("wrote {path}: name your site, saws and broker in it, then start `kerfbook run` again", path=path))
    return codes.DONE


def _offer(path: Path) -> int:
    print(gettext("There is no {path}.", path=path), file=sys.stderr)
    if not sys.stdin.isatty():
        print(
            gettext("`kerfbook run --write-config` writes a commented one; `kerfbook demo` needs none."),
            file=sys.stderr,
        )
        return codes.MISUSED
    return _write(path) if agreed(gettext("Write a commented one to begin with?")) else codes.MISUSED
