"""Messages that wait in the broker for a collector that is gone: another one serves its session until it is back.

A broker keeps what it has dealt to a collector, and what it goes on dealing to it, in that collector's session. Some
deal it out again when the session ends; Mosquitto drops it. So sessions do not end here. Whose lease runs out is an
orphan: the first collector to notice connects under its client identifier, beside its own, and is handed everything.
A session that was ended at the broker on purpose, because its collector is given up, is forgotten.
"""

from __future__ import annotations

import logging
import threading
from dataclasses import replace
from typing import TYPE_CHECKING

from collector.broker import Broker, session_lease
from collector.mqtt import Collector

if TYPE_CHECKING:
    from collector.book.leases import Leases
    from collector.ingest.ingest import Ingest

log = logging.getLogger(__name__)

LOOK_SECONDS = 2.0
_HOME = "home:"  # held by the process whose session it is, as long as it runs, whoever serves the session


def given_up(leases: Leases, site: str) -> list[str]:
    """Client identifiers under which the broker keeps a session although their collectors do not run."""
    prefix = _HOME + session_lease(site, "")
    return [name.removeprefix(prefix) for name in leases.ownerless(prefix)]


class Orphans:
    """Looks for sessions that nobody serves, in a thread of its own.

    Args:
        ingest: takes and settles the messages.
        site: name of the site.
        broker: how this process itself connects.
        leases: of this process.
    """

    def __init__(self, ingest: Ingest, site: str, broker: Broker, leases: Leases) -> None:
        self._ingest = ingest
        self._site = site
        self._broker = broker
        self._leases = leases
        self._home = _HOME + session_lease(site, broker.client_id)
        self._served: dict[str, Collector] = {}
        self._stop = threading.Event()
        self._thread = threading.Thread(target=self._run, name="kerfbook-orphans", daemon=True)

    def start(self) -> None:
        """Begins to look."""
        self._thread.start()

    def stop(self) -> None:
        """Leaves the sessions that were served to others."""
        self._stop.set()
        self._thread.join(15)
        for collector in self._served.values():
            collector.stop()

    @property
    def served(self) -> list[str]:
        """Client identifiers of the sessions that are served here and belong to others."""
        return sorted(self._served)

    def look(self) -> None:
        """Takes on sessions without a collector, and gives back those whose collector is there again.

        Raises:
            sqlalchemy.exc.SQLAlchemyError: the database failed.
        """
        self._leases.take([self._home])
        prefix = session_lease(self._site, "")
        for name in list(self._served):
            served = self._served[name]
            if not served.health().running or not self._gone(prefix + name):
                self._served.pop(name).stop()
                if served.ended:
                    log.warning("the broker keeps no session %s any more; it is forgotten", name)
                    self._leases.forget([prefix + name, _HOME + prefix + name])
                else:
                    log.info("the session %s is left to its collector", name)
        for lease in self._leases.ownerless(prefix):
            name = lease.removeprefix(prefix)
            if name == self._broker.client_id or name in self._served or not self._gone(lease):
                continue
            if self._leases.take([lease]):
                log.warning("the collector %s is gone; serving its session until it is back", name)
                one = replace(self._broker, client_id=name)
                self._served[name] = Collector(self._ingest, self._site, one, leases=self._leases, orphaned=True)
                self._served[name].start()

    def _gone(self, lease: str) -> bool:
        """Whether the process whose session it is does not run."""
        return bool(self._leases.ownerless(_HOME + lease))

    def _run(self) -> None:
        failing = False
        while not self._stop.is_set():
            try:
                self.look()
                failing = False
            except Exception:  # a database that is away for a while must not end the looking
                if not failing:
                    log.exception("it cannot be seen which collectors are gone; trying again")
                failing = True
            self._stop.wait(LOOK_SECONDS)
