"""How the broker is reached, and what is asked of it."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Literal

from collector.wire.topics import NAME, readings_filter, readings_topic, status_filter, status_topic

if TYPE_CHECKING:
    import ssl

Protocol = Literal["auto", "5", "3.1.1"]


@dataclass(frozen=True, slots=True)
class Broker:
    """How the broker is reached.

    Attributes:
        host: name or address.
        port: TCP port.
        username: for signing in; None: without.
        password: for signing in.
        tls: a context for an encrypted connection; None: plain.
        client_id: fixed, because the broker keeps the session of messages not yet acknowledged under it. No two
            collectors may share one.
        keepalive: seconds without traffic after which a ping is sent.
        protocol: MQTT version; ``auto`` tries 5, then 3.1.1.
        share: name of a shared subscription (MQTT 5, section 4.8.2): the broker deals the messages out among the
            collectors that name the same one. None: this collector gets all.
        saws: only these saws are subscribed to; empty: all of the site.
    """

    host: str = "127.0.0.1"
    port: int = 1883
    username: str | None = None
    password: str | None = None
    tls: ssl.SSLContext | None = None
    client_id: str = "kerfbook-collector"
    keepalive: int = 60
    protocol: Protocol = "auto"
    share: str | None = None
    saws: tuple[str, ...] = ()

    def filters(self, site: str) -> list[str]:
        """What is subscribed to.

        Raises:
            ValueError: the site's, the share's or a saw's name is none.
        """
        if self.saws:
            plain = [make(site, saw) for saw in self.saws for make in (readings_topic, status_topic)]
        else:
            plain = [readings_filter(site), status_filter(site)]
        if self.share is None:
            return plain
        if not NAME.fullmatch(self.share):
            raise ValueError(f"{self.share!r} is no name for a shared subscription: use 1 to 32 of a-z, 0-9 and '-'")
        return [f"$share/{self.share}/{one}" for one in plain]


def session_lease(site: str, client_id: str) -> str:
    """The lease of a session of the site's broker."""
    return f"session:{site}/{client_id}"
