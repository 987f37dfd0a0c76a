"""Collector, API and screens in one process, on one trace and one book: what `run` and `demo` share."""

from __future__ import annotations

import logging
import os
import signal
import threading
import time
from contextlib import ExitStack, nullcontext
from pathlib import Path
from types import MappingProxyType
from typing import TYPE_CHECKING

from api.app import close_api, desk_of, rack_of, reporting_of, tending_of, vitals_of
from api.blade_watch import BladeWatch
from api.delivery import AppriseSender, MqttSender, Post
from api.door.guest import Visitors
from api.fact_mirror import FactMirror
from api.fault_watch import FaultWatch
from api.http.gate import gate_of
from api.keeping import Keeper
from api.planning import keep_plan
from api.trouble_watch import TroubleWatch
from api.vitals import Vitals
from api.watch import Watch
from collector.book.book import Book
from collector.book.entries import BookError, SawEntry
from collector.book.leases import Leases
from collector.book.mend import Mended, mend_book, sound, sound_book
from collector.book.troubles import TroubleBook
from collector.ingest import Ingest
from collector.ingest.learning import Learning
from collector.mqtt import Collector, Health
from collector.orphans import Orphans
from collector.trace.mend import MendedTrace, mend_trace
from collector.trace.place import open_trace, points_in
from collector.trace.thinning import Thinner
from collector.troubles import TORN, Troubles
from dashboard.app import create_app
from dashboard.web import WebServer

if TYPE_CHECKING:
    from collections.abc import Mapping
    from types import FrameType

    from api.door.door import Door
    from api.site import Site
    from collector.broker import Broker
    from collector.detect.settings import DetectSettings
    from collector.trace.place import InfluxPlace
    from collector.trace.thinning import Ages
    from dashboard.config.settings import Telling


log = logging.getLogger(__name__)

_INSPECT_SECONDS = 86_400.0


class House:
    """One site's collector and screens.

    Attributes:
        trace: the trace.
        ingest: the way of every reading.
        torn: set when a store's file turned out to be damaged: close the house, and open it again with ``mend``.

    Args:
        site: the workshop.
        trace: file of the trace, whose folder is made, or its bucket.
        book: SQLAlchemy address of the book.
        settings: of the detector; what was calibrated for a saw goes before them, and what was learned beside them.
        boxes: URN of the only box heard, by name of the saw; of other saws any box is heard.
        disk: folder whose disk is watched; the trace's where none is given.
        ages: how long readings and minutes are kept; None: nothing is thinned out.
        facts_as_points: write facts as points too, where the trace is in an InfluxDB.
        mend: read the files of the stores through, and replace what is damaged, before they are opened.
    """

    def __init__(
        self,
        site: Site,
        trace: Path | InfluxPlace,
        book: str,
        settings: DetectSettings,
        boxes: Mapping[str, str] = MappingProxyType({}),
        disk: Path | None = None,
        ages: Ages | None = None,
        *,
        facts_as_points: bool = False,
        mend: bool = False,
    ) -> None:
        self._site = site
        self._book_url = book
        self._mend = mend
        self.torn = threading.Event()
        mended_trace = mend_trace(trace) if mend and isinstance(trace, Path) else None
        self.trace = open_trace(trace)
        with ExitStack() as opened:  # what is open if the next step fails
            opened.callback(self.trace.close)
            mended_book = mend_book(book, self.trace.first) if mend else None
            self._book = Book(book)
            opened.callback(self._book.close)
            self._troubles = Troubles(TroubleBook(self._book), _now_us)
            for what, mended in (("trace", mended_trace), ("book", mended_book)):
                if mended is not None:
                    self._troubles.happened(TORN, said=_mended(what, mended))
            self._troubles.write()
            self._prepare(settings, boxes)
            opened.pop_all()
        self._trace_file = trace if isinstance(trace, Path) else None
        self._disk = disk or (trace.parent if isinstance(trace, Path) else Path())
        # A server drops nothing when it is told what has aged, so nobody has to wait.
        hold = self.ingest.between_commits if isinstance(trace, Path) else nullcontext
        self._thinner = Thinner(self.trace, ages, hold, leases=self._leases) if ages else None
        self._points = points_in(self.trace) if facts_as_points else None
        self._mirror: FactMirror | None = None
        self._web: WebServer | None = None
        self._keeper: Keeper | None = None
        self._watch: Watch | None = None
        self._vitals = Vitals()
        self._collector: Collector | None = None
        self._orphans: Orphans | None = None
        self._closing = threading.Event()
        self._inspector = threading.Thread(target=self._inspect, name="kerfbook-inspector", daemon=True)
        self._inspector.start()

    def _prepare(self, settings: DetectSettings, boxes: Mapping[str, str]) -> None:
        site = self._site
        saws = [SawEntry(saw.name, saw.title, boxes.get(saw.name)) for saw in site.saws]
        self._book.open_saws(saws)
        keep_plan(self._book, site, _now_us())
        self._settings = settings
        self._leases = Leases(self._book.engine, f"kerfbook of {site.name}, process {os.getpid()}")
        self._leases.start()
        self.ingest = Ingest(
            self.trace,
            self._book,
            saws,
            settings,
            _now_us,
            site=site.name,
            leases=self._leases,
            troubles=self._troubles,
            learning=Learning(self._book, self.trace, settings),
        )

    def _inspect(self) -> None:
        """Reads the stores through, now and once a day: a start need not wait."""
        while True:
            try:
                if not sound_book(self._book_url):
                    self._is_torn("the book is damaged")
                if self._trace_file is not None and not sound(self._trace_file):
                    self._is_torn("the trace is damaged")
            except BookError as error:
                log.warning("a store could not be read through: %s", error)
            if self._closing.wait(_INSPECT_SECONDS):
                return

    def _is_torn(self, said: str) -> None:
        log.error("%s", said)
        self.torn.set()

    def open_screens(
        self,
        broker: str,
        host: str,
        port: int,
        *,
        visitors: Visitors = Visitors.NOBODY,
        address: str | None = None,
        proxy: str | None = None,
        contact: str | None = None,
    ) -> int:
        """Serve the screens; returns the port.

        Args:
            broker: where boxes publish, for people to read.
            host: address to listen at.
            port: likewise; 0: a free one.
            visitors: what people without an account may do.
            address: by which people reach the screens, where it is not the one they ask at.
            proxy: IP address of a proxy that is believed who asks.
            contact: where people report weaknesses.

        Raises:
            OSError: the address cannot be listened at.
        """
        self._app = create_app(
            self._site,
            self._book_url,
            self.trace,
            broker,
            detection=self._settings,
            visitors=visitors,
            address=address,
            contact=contact,
        )
        vitals = self._vitals = vitals_of(self._app)
        vitals.folder, vitals.trace = self._disk, self._trace_file
        self._web = WebServer(self._app, host, port, proxy)
        self._web.start()
        self._keeper = Keeper(reporting_of(self._app).sums)
        self._keeper.start()
        if self._points:
            self._mirror = FactMirror(desk_of(self._app), self._points, self._leases)
            self._mirror.start()
        return self._web.port

    @property
    def door(self) -> Door:
        """Who lets people in. Open the screens before."""
        return gate_of(self._app).door

    def keep_watch(self, telling: Telling, address: str, broker: Broker) -> None:
        """Write the starter tasks if there are none, and let the rules look and tell people. Open the screens before.

        Args:
            telling: at what values, and whom.
            address: of the screens, for links.
            broker: for messages over MQTT.
        """
        tending = tending_of(self._app)
        tending.begin(tending.desk.now())
        mqtt = MqttSender(self._site.name, broker.host, broker.port, broker.username, broker.password, broker.tls)
        post = Post(AppriseSender(), mqtt)
        blades = BladeWatch(rack_of(self._app), self._site.blades.feed_m_min)
        troubles = TroubleWatch(self._book)
        self._watch = Watch(
            tending,
            telling.policy,
            post,
            address,
            limits=telling.limits,
            ports=(blades, FaultWatch(self._book), troubles),
            place=troubles,
            disk=self._disk,
            leases=self._leases,
            torn=self._is_torn,
        )
        self._watch.start()

    def listen(self, broker: Broker) -> None:
        """Collect from a broker, now or as soon as it is there, also for collectors that are gone."""
        self._orphans = Orphans(self.ingest, self._site.name, broker, self._leases)
        self._orphans.start()
        self._collector = Collector(
            self.ingest,
            self._site.name,
            broker,
            leases=self._leases,
            troubles=self._troubles,
            torn=self._is_torn,
            catch_up=self._mend,
        )
        self._collector.start()
        self._vitals.collector = self._health
        if self._thinner:
            self._thinner.start()

    @property
    def vitals(self) -> Vitals:
        """How all of this is."""
        return self._vitals

    def _health(self) -> Health:
        assert self._collector is not None
        return self._collector.health()

    def close(self) -> None:
        """Stop collecting, then serving, and let go of the stores; the broker sends again what it must."""
        self._closing.set()
        if self._watch:
            self._watch.stop()
        if self._thinner:
            self._thinner.stop()
        if self._keeper:
            self._keeper.stop()
        if self._mirror:
            self._mirror.stop()
        if self._orphans:
            self._orphans.stop()
        if self._collector:
            self._collector.stop()
        if self._web:
            close_api(self._app)
            self._web.stop()
        self._leases.close()
        self._inspector.join()
        self._book.close()
        self.trace.close()


def _now_us() -> int:
    return time.time_ns() // 1000


def _mended(what: str, mended: Mended | MendedTrace) -> str:
    """What became of a damaged file, in a line."""
    if isinstance(mended, Mended):
        lost = ", ".join(mended.torn) or "nothing that people said"
    else:
        lost = ", ".join(f"{count} of {table}" for table, count in mended.lost.items() if count) or "nothing"
    return f"The {what} was damaged; it is now {mended.aside.name}. Could not be read to the end: {lost}."


def asked_to_stop() -> threading.Event:
    """Set by Ctrl-C or a polite kill from now on; call it before people are told that they may stop the program."""
    stopped = threading.Event()

    def stop(_signal: int, _frame: FrameType | None) -> None:
        stopped.set()

    for number in (signal.SIGINT, signal.SIGTERM):
        signal.signal(number, stop)
    return stopped
