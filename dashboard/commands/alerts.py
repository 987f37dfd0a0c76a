"""``kerfbook alerts``: the rules and the messages in a process of their own."""

from __future__ import annotations

import sys
import time
from typing import TYPE_CHECKING

from api.blade_watch import BladeWatch, wear_sign
from api.delivery import AppriseSender, MqttSender, Post
from api.desk import Desk
from api.fault_watch import FaultWatch
from api.rack import Rack
from api.tending import Tending
from api.tongues.say import gettext, later, reason
from api.trouble_watch import TroubleWatch
from api.watch import Watch
from collector.book.book import Book
from collector.book.entries import BookError, SawEntry
from collector.book.leases import Leases
from collector.trace.place import open_trace
from dashboard.commands import codes
from dashboard.commands.options import add_config
from dashboard.commands.run import connection
from dashboard.config import ConfigError, load
from dashboard.house import asked_to_stop
from dashboard.notify import Supervisor

if TYPE_CHECKING:
    import argparse

HELP = later("look for alerts and tell people, in a process of its own")
MORE = later("""
`kerfbook run` does this by itself. Where collector, screens and alerts shall be processes of
their own, start `kerfbook run --no-alerts` and this with the same kerfbook.toml: they meet in
the book. Of several of these for a site one works, and another follows when it is gone.

Exit code: 0 stopped, 1 a store could not be opened, 2 no configuration or a wrong one.
""")


def add(parser: argparse.ArgumentParser) -> None:
    """Describe the arguments."""
    add_config(parser)


def run(args: argparse.Namespace) -> int:
    """Look and tell until stopped."""
    supervisor = Supervisor()
    try:
        settings = load(args.config)
    except (ConfigError, OSError) as error:
        print("kerfbook alerts:", reason(error), file=sys.stderr)
        return codes.MISUSED
    try:
        broker = connection(settings.broker)
        settings.stores.folder.mkdir(parents=True, exist_ok=True)
        with Book(settings.stores.book) as book, open_trace(settings.stores.trace) as trace:
            book.open_saws(SawEntry(saw.name, saw.title) for saw in settings.site.saws)
            desk = Desk(settings.site, book, trace, time)
            rack = Rack(desk)
            tending = Tending(desk)
            tending.add_sign("blade-wear", wear_sign(rack))
            tending.begin(desk.now())
            mqtt = MqttSender(
                settings.site.name, broker.host, broker.port, broker.username, broker.password, broker.tls
            )
            web = settings.web
            leases = Leases(book.engine, f"kerfbook alerts of {settings.site.name}")
            troubles = TroubleWatch(book)
            watch = Watch(
                tending,
                settings.telling.policy,
                Post(AppriseSender(), mqtt),
                web.address or f"http://{web.host}:{web.port}/",
                limits=settings.telling.limits,
                ports=(BladeWatch(rack, settings.site.blades.feed_m_min), FaultWatch(book), troubles),
                place=troubles,
                disk=settings.stores.folder,
                leases=leases,
            )
            leases.start()
            watch.start()
            stopped = asked_to_stop()
            print(gettext("looking for alerts; Ctrl-C stops."), flush=True)
            supervisor.ready()
            supervisor.wait(stopped, watch.moves, what="watch")
            watch.stop()
            leases.close()
    except (BookError, OSError) as error:
        print("kerfbook alerts:", reason(error), file=sys.stderr)
        return codes.FLAWED
    return codes.DONE
