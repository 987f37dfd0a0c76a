"""``kerfbook demo``: an imaginary workshop with its broker, boxes, collector and screens, on one command."""

from __future__ import annotations

import datetime as dt
import sys
import time
import webbrowser
from pathlib import Path
from typing import TYPE_CHECKING

from api.answers.alert_rules import Limits
from api.door.guest import Visitors
from api.site import SawTitle, Site
from api.tongues.say import gettext, later, reason
from collector.book.book import Book
from collector.book.entries import BookError
from collector.broker import Broker
from collector.detect.settings import DetectSettings
from collector.facts import SECOND
from collector.trace.sqlite import SqliteTrace
from collector.trace.store import TraceError
from dashboard.commands import codes
from dashboard.config.settings import Telling
from dashboard.demo.blades import enter_blades
from dashboard.demo.boxes import Boxes
from dashboard.demo.folder import DemoFolder
from dashboard.demo.past import Past, fill
from dashboard.demo.shifts import calendar, lay
from dashboard.demo.tending import POLICY, enter_tending
from dashboard.house import House, asked_to_stop
from dashboard.progress import Progress
from simulator import world
from simulator.embedded_broker import EmbeddedBroker

if TYPE_CHECKING:
    import argparse

HELP = later("show an imaginary workshop: eight weeks of two saws, then live")
MORE = later("""
Needs nothing but this command. Plays Tern Point Stageworks, a scenery workshop that does
not exist: fills eight weeks of history through the collector, then goes on live. The boxes
of its saws publish over MQTT to a small broker inside the program. So that there is
something to see at any hour, the shift of the day of a start is moved until now lies inside
it.

The data stay in the folder; a second start goes on from there, and the boxes then deliver
what they measured meanwhile. Runs until Ctrl-C.

Exit code: 0 stopped, 1 a store or an address could not be opened, 2 wrong arguments.
""")

USUAL_BROKER_PORT = 1883
USUAL_WEB_PORT = 8080


def add(parser: argparse.ArgumentParser) -> None:
    """Describe the arguments."""
    parser.add_argument(
        "--folder",
        type=Path,
        default=Path("kerfbook-demo"),
        metavar="DIR",
        help=gettext("keep the data here (default: ./kerfbook-demo)"),
    )
    parser.add_argument(
        "--host",
        default="127.0.0.1",
        metavar="ADDRESS",
        help=gettext("listen here; 0.0.0.0 lets a TV in your network in (default: this computer only)"),
    )
    parser.add_argument(
        "--port",
        type=int,
        metavar="N",
        help=gettext("port of the screens (default: {port}, or a free one)", port=USUAL_WEB_PORT),
    )
    parser.add_argument(
        "--mqtt-port",
        type=int,
        metavar="N",
        help=gettext("port of the broker (default: {port}, or a free one)", port=USUAL_BROKER_PORT),
    )
    parser.add_argument(
        "--browser", action="store_true", help=gettext("open the wall screen in the browser of this computer")
    )


def run(args: argparse.Namespace) -> int:
    """Play the demo until it is stopped."""
    try:
        folder = DemoFolder(args.folder)
    except (ValueError, OSError) as error:
        print("kerfbook demo:", reason(error), file=sys.stderr)
        return codes.MISUSED
    now_us = time.time_ns() // 1_000_000_000 * SECOND
    now = dt.datetime.fromtimestamp(now_us / SECOND, world.ZONE)
    folder.move_shift(now.date(), lay(now))
    site = Site(
        world.SITE,
        world.TITLE,
        world.ZONE.key,
        tuple(SawTitle(name, name.capitalize()) for name in world.SAWS),
        calendar(folder.starts),
    )
    past = Past(folder.trace, folder.book, now_us, now.date(), folder.starts)
    house = broker = boxes = None
    try:
        fill(
            past,
            Progress(gettext("playing eight weeks of work") if past.empty() else gettext("fetching what was missed")),
        )
        enter_blades(folder.book, folder.starts, past.days(None), now_us)
        first = past.days(None)[0]
        with Book(folder.book) as book, SqliteTrace(folder.trace) as trace:
            enter_tending(site, book, trace, first, now_us)
        house = House(site, folder.trace, folder.book, DetectSettings())
        broker = _broker(args.mqtt_port)
        port = _screens(house, f"mqtt://127.0.0.1:{broker.port}", args.host, args.port)
        reached = Broker(port=broker.port, client_id="kerfbook-demo", protocol="3.1.1")
        house.listen(reached)
        house.keep_watch(Telling(Limits(), POLICY), f"http://127.0.0.1:{port}/", reached)
        boxes = Boxes("127.0.0.1", broker.port, folder, now_us)
        boxes.start()
        stopped = asked_to_stop()
        _tell(args, port, broker.port, folder)
        stopped.wait()
    except KeyboardInterrupt:
        print(gettext("stopped; the next start goes on from here"), file=sys.stderr)
    except (BookError, TraceError, OSError, RuntimeError) as error:
        print("kerfbook demo:", reason(error), file=sys.stderr)
        return codes.FLAWED
    finally:
        if boxes:
            boxes.stop()
        if house:
            house.close()
        if broker:
            broker.stop(1)
    return codes.DONE


def _broker(port: int | None) -> EmbeddedBroker:
    """The broker at the port asked for, or at the usual one, or at a free one."""
    try:
        broker = EmbeddedBroker("127.0.0.1", USUAL_BROKER_PORT if port is None else port)
        broker.start()
    except OSError:
        if port is not None:
            raise
        broker = EmbeddedBroker("127.0.0.1", 0)
        broker.start()
    return broker


def _screens(house: House, broker: str, host: str, port: int | None) -> int:
    try:
        return house.open_screens(broker, host, USUAL_WEB_PORT if port is None else port, visitors=Visitors.LOCAL)
    except OSError:
        if port is not None:
            raise
        return house.open_screens(broker, host, 0, visitors=Visitors.LOCAL)


def _tell(args: argparse.Namespace, port: int, broker_port: int, folder: DemoFolder) -> None:
    shown = "127.0.0.1" if args.host in {"0.0.0.0", "::"} else args.host  # noqa: S104 - compared, not listened at
    address = f"http://{shown}:{port}/"
    print(
        "",
        gettext("{shop}, an imaginary workshop, is at work.", shop=world.TITLE),
        gettext("  wall screen   {address}", address=f"{address}tv"),
        gettext("  start page    {address}", address=address),
        gettext(
            "  broker        {address}, topics {topics}",
            address=f"mqtt://127.0.0.1:{broker_port}",
            topics=f"kerfbook/{world.SITE}/#",
        ),
        gettext("  data          {path}", path=folder.path),
        gettext("Today's shift is moved so that now lies inside it. Ctrl-C stops."),
        sep="\n",
        flush=True,
    )
    if args.browser:
        webbrowser.open(f"{address}tv")
