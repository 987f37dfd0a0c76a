"""The broker: whether it answers, lets Kerfbook in, and for how long its certificate is good."""

from __future__ import annotations

import socket
import ssl
import time
from typing import TYPE_CHECKING, Any

from paho.mqtt.client import Client
from paho.mqtt.enums import CallbackAPIVersion

from api.tongues.say import gettext
from collector.book.leases import Leases
from collector.orphans import given_up
from dashboard.commands.run import connection
from dashboard.doctor.finding import Finding

if TYPE_CHECKING:
    from collections.abc import Iterator

    from collector.book.book import Book
    from collector.broker import Broker
    from dashboard.config import Settings

_SECONDS = 5.0
_DAY = 86_400
_WARN_DAYS = 60


def look(settings: Settings, now: float) -> Iterator[Finding]:
    """The certificates where the connection is encrypted, then the broker itself; ``now`` in seconds since 1970."""
    try:
        broker = connection(settings.broker)
    except OSError as error:
        yield Finding(gettext("broker"), f"{error}", gettext("correct password_file or ca_file in [broker]"))
        return
    address = settings.broker.address
    try:
        if broker.tls is not None:
            yield from _certificates(broker, broker.tls, now)
        answer = _knock(broker)
    except ssl.SSLCertVerificationError as error:
        yield Finding(
            gettext("broker"),
            gettext("{address} is not trusted: {error}", address=address, error=error),
            gettext(
                "correct ca_file and host in [broker], or write the broker's certificate again: `kerfbook "
                "broker-config`"
            ),
        )
    except OSError as error:
        seen = gettext("{address} does not answer: {error}", address=address, error=error)
        yield Finding(gettext("broker"), seen, gettext("start the broker, or correct [broker]"))
    else:
        if answer == "Success":
            yield Finding(gettext("broker"), gettext("{address} answers", address=address))
            return
        seen = (
            gettext("{address} says: {answer}", address=address, answer=answer)
            if answer
            else gettext("{address} does not speak MQTT", address=address)
        )
        yield Finding(gettext("broker"), seen, gettext("correct user name, password or port in [broker]"))


def sessions(settings: Settings, book: Book) -> Iterator[Finding]:
    """Those that the broker keeps for collectors that do not run; our own may be stopped while somebody looks."""
    for name in given_up(Leases(book.engine, "doctor"), settings.site.name):
        if name != settings.broker.client_id:
            at = f"-h {settings.broker.host} -p {settings.broker.port}"
            yield Finding(
                gettext("collector {name}", name=name),
                gettext("does not run, and the broker keeps what it receives; others collect it meanwhile"),
                gettext(
                    "start it again; if it is given up for good, end its session at the broker: {command}, with the "
                    "user and TLS of [broker]",
                    command=f"mosquitto_sub -i {name} {at} -t {name} -E",
                ),
            )


def _knock(broker: Broker) -> str | None:
    """The broker's answer to a connection of its own name, so that the collector's session is not touched."""
    client = Client(CallbackAPIVersion.VERSION2, client_id="kerfbook-doctor", clean_session=True)
    if broker.username is not None:
        client.username_pw_set(broker.username, broker.password)
    if broker.tls is not None:
        client.tls_set_context(broker.tls)
    answers: list[str] = []
    client.on_connect = lambda _c, _u, _f, reason, _p: answers.append(str(reason))
    client.connect(broker.host, broker.port, keepalive=10)
    until = time.monotonic() + _SECONDS
    while not answers and time.monotonic() < until:
        client.loop(0.1)
    client.disconnect()
    return answers[0] if answers else None


def _certificates(broker: Broker, tls: ssl.SSLContext, now: float) -> Iterator[Finding]:
    with (
        socket.create_connection((broker.host, broker.port), _SECONDS) as plain,
        tls.wrap_socket(plain, server_hostname=broker.host) as encrypted,
    ):
        certificate = encrypted.getpeercert() or {}
    again = gettext("write it again: `kerfbook broker-config`")
    yield _good_until(gettext("the broker's certificate"), certificate, now, again)
    own = tls.get_ca_certs()
    if len(own) == 1:  # one of the workshop's own, and not those of the whole world
        advice = gettext(
            "make a new one in another folder with `kerfbook broker-config --folder`, and put it into every box"
        )
        yield _good_until(gettext("the broker's authority"), dict(own[0]), now, advice)


def _good_until(subject: str, certificate: dict[str, Any], now: float, advice: str) -> Finding:
    """OpenSSL refuses one that has ended; so here it is only whether that is near."""
    ends = ssl.cert_time_to_seconds(str(certificate["notAfter"]))
    days = (ends - now) / _DAY
    date = time.strftime("%Y-%m-%d", time.gmtime(ends))
    seen = gettext("good until {date}, {n} days", date=date, n=round(days))
    return Finding(subject, seen, advice if days < _WARN_DAYS else "")
