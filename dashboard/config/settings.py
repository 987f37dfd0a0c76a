"""The settings of ``kerfbook run``, typed.

Paths are absolute: a relative one counts from the file's folder.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

from api.site import SawTitle, Site

if TYPE_CHECKING:
    from pathlib import Path

    from api.answers.alert_rules import Limits
    from api.answers.telling import Policy
    from collector.detect.settings import DetectSettings
    from collector.trace.place import InfluxPlace
    from collector.trace.thinning import Ages


@dataclass(frozen=True, slots=True)
class Saw:
    """``[[saws]]``: one saw.

    ``box`` is the URN that its box must have, None: any. ``spindle_rpm`` is the speed of its spindle [1/min].
    """

    name: str
    title: str
    box: str | None
    spindle_rpm: int | None = None


@dataclass(frozen=True, slots=True)
class Broker:
    """``[broker]``: where boxes publish. The password stays in its file until the connection is made.

    ``share`` and ``saws``: which part of the messages this collector gets, see `collector.broker.Broker`.
    """

    host: str
    port: int
    username: str | None
    password_file: Path | None
    tls: bool
    ca_file: Path | None
    client_id: str
    share: str | None = None
    saws: tuple[str, ...] = ()

    @property
    def address(self) -> str:
        """For people: ``mqtt://192.0.2.7:1883``."""
        return f"{'mqtts' if self.tls else 'mqtt'}://{self.host}:{self.port}"


@dataclass(frozen=True, slots=True)
class Stores:
    """``[stores]``: the SQLite file of the trace or its InfluxDB bucket, and the SQLAlchemy address of the book.

    ``ages``: how long readings are kept, and minutes. ``facts_as_points``: write facts into that InfluxDB too.
    """

    folder: Path
    trace: Path | InfluxPlace
    book: str
    ages: Ages
    facts_as_points: bool = True


@dataclass(frozen=True, slots=True)
class Backup:
    """``[backup]``: where `kerfbook backup` writes, how many it keeps (0: all), when one is missed."""

    folder: Path
    keep: int
    missed_days: int


@dataclass(frozen=True, slots=True)
class Web:
    """``[web]``: where the dashboard listens, and the address that messages link to (None: where it listens).

    ``proxy`` is the address of a proxy whose word is taken for who asks, ``contact`` where people report weaknesses.
    """

    host: str
    port: int
    address: str | None = None
    proxy: str | None = None
    contact: str | None = None


@dataclass(frozen=True, slots=True)
class Telling:
    """``[alerts]`` and ``[[tell]]``: at what values the rules speak, and who is told how."""

    limits: Limits
    policy: Policy


@dataclass(frozen=True, slots=True)
class Settings:
    """A whole ``kerfbook.toml``."""

    site: Site
    saws: tuple[Saw, ...]
    broker: Broker
    stores: Stores
    backup: Backup
    web: Web
    detection: DetectSettings
    telling: Telling


def titles(saws: tuple[Saw, ...]) -> tuple[SawTitle, ...]:
    """Names and titles as the API wants them."""
    return tuple(SawTitle(saw.name, saw.title) for saw in saws)
