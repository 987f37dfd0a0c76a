"""Topics: where a saw's box publishes, ``kerfbook/{site}/{saw}/readings`` and ``…/status``."""

from __future__ import annotations

import re
from dataclasses import dataclass
from typing import Literal

from collector.wire.refusal import Refusal
from collector.words import later

NAME = re.compile(r"[a-z0-9-]{1,32}", re.ASCII)
"""A site's or a saw's name; use ``fullmatch``."""

Leaf = Literal["readings", "status"]

_ROOT = "kerfbook"


@dataclass(frozen=True, slots=True)
class Topic:
    """A topic taken apart."""

    site: str
    saw: str
    leaf: Leaf


def readings_topic(site: str, saw: str) -> str:
    """The topic of a saw's readings.

    Raises:
        ValueError: a name is not of the form `NAME`.
    """
    return f"{_ROOT}/{_checked(site)}/{_checked(saw)}/readings"


def status_topic(site: str, saw: str) -> str:
    """The topic of a box's presence: retained, and the box's last will.

    Raises:
        ValueError: a name is not of the form `NAME`.
    """
    return f"{_ROOT}/{_checked(site)}/{_checked(saw)}/status"


def readings_filter(site: str) -> str:
    """The subscription that gets the readings of every saw of a site.

    Raises:
        ValueError: the name is not of the form `NAME`.
    """
    return f"{_ROOT}/{_checked(site)}/+/readings"


def status_filter(site: str) -> str:
    """The subscription that gets the presence of every box of a site.

    Raises:
        ValueError: the name is not of the form `NAME`.
    """
    return f"{_ROOT}/{_checked(site)}/+/status"


def parse_topic(topic: str) -> Topic:
    """Take a topic apart.

    Raises:
        Refusal: ``bad-topic``, the topic is none of ours.
    """
    match topic.split("/"):
        case [root, site, saw, "readings" | "status" as leaf] if (
            root == _ROOT and NAME.fullmatch(site) and NAME.fullmatch(saw)
        ):
            return Topic(site, saw, leaf)
    raise Refusal(
        "bad-topic",
        later(
            "the topic {topic} is not {root}/SITE/SAW/readings or {root}/SITE/SAW/status, with names of 1 to "
            "32 characters out of a-z, 0-9 and '-'; correct the topic in the box"
        ),
        topic=repr(topic[:200]),
        root=_ROOT,
    )


def _checked(name: str) -> str:
    if not NAME.fullmatch(name):
        raise ValueError(f"{name!r} is no name for a topic: use 1 to 32 characters out of a-z, 0-9 and '-'")
    return name
