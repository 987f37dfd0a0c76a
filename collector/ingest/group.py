"""The messages between two commits: decoded as they come, and nothing of them done yet. No I/O."""

from __future__ import annotations

import logging
from dataclasses import dataclass, field
from hashlib import blake2b
from typing import TYPE_CHECKING, NamedTuple

from collector.book.entries import BoxStatus, Receipt
from collector.book.held import Held
from collector.ingest.refused import Refused
from collector.ingest.status import read_status
from collector.ticks import boot, ticks
from collector.wire.pack import Pack, read_pack
from collector.wire.refusal import Refusal
from collector.words import later

if TYPE_CHECKING:
    from collections.abc import Callable

    from collector.ingest.addresses import Addresses
    from collector.signals import Trace

log = logging.getLogger(__name__)


class Message(NamedTuple):
    """One message as received; see `collector.ingest.ingest.Ingest.take`."""

    topic: str
    payload: bytes
    received_us: int
    retained: bool
    mid: int | None
    again: bool


IMPOSSIBLE_TIME = "time-out-of-range"


@dataclass(slots=True)
class OfSaw:
    """What a group holds for one saw: its packs in order of receipt, and the receipt of the newest one.

    ``again``: the broker had sent one of them before.
    """

    packs: list[Trace] = field(default_factory=list)
    received_us: int | None = None
    again: bool = False

    @property
    def clock_skew_us(self) -> int | None:
        """The newest pack's last reading minus its receipt."""
        return None if self.received_us is None else self.packs[-1].last - self.received_us


class Group:
    """Takes messages in.

    Args:
        addresses: whose messages are taken.

    Attributes:
        saws: what is to be committed for each saw.
        statuses: the newest status of each box.
        refused: what is refused.
        receipts: first receipts of packs with relative times.
        again: such packs delivered again, for which the first receipt must be looked up: `Receipt` as for a first
            one, and payload.
        held: packs that are refused only because they come from the future.
        tokens: of all messages, in order of receipt.
    """

    def __init__(self, addresses: Addresses) -> None:
        self._addresses = addresses
        self.saws: dict[str, OfSaw] = {}
        self.statuses: dict[str, BoxStatus] = {}
        self.refused = Refused()
        self.receipts: dict[tuple[str, int], Receipt] = {}
        self.again: list[tuple[Receipt, bytes]] = []
        self.held: list[Held] = []
        self.tokens: list[object] = []

    def take(self, message: Message, token: object) -> bool:
        """Takes one message; False: it is refused."""
        saw: str | None = None
        try:
            where = self._addresses.of(message.topic)
            saw = where.saw
            if where.leaf == "readings":
                self._take_readings(saw, message)
            else:
                self.statuses[saw] = BoxStatus(saw, read_status(message.payload), message.received_us)
        except Refusal as refusal:
            self.refused.add(refusal, message.topic, saw, message.payload, message.received_us)
            if saw is not None and refusal.code == IMPOSSIBLE_TIME and _is_sound(message.payload):
                self.held.append(Held(saw, boot(), ticks(), bytes(message.payload)))
            return False
        except Exception:
            # A fault of ours must not become a message that stops the collector at each redelivery.
            log.exception("a message on %s could not be read", message.topic)
            fault = Refusal(
                "internal-error", later("the program failed at this message; please report it with its excerpt")
            )
            self.refused.add(fault, message.topic, saw, message.payload, message.received_us)
            return False
        finally:
            self.tokens.append(token)
        return True

    def add(self, saw: str, pack: Pack, received_us: int, *, again: bool = False) -> None:
        """Adds a decoded pack."""
        of = self.saws.get(saw)
        if of is None:
            of = self.saws[saw] = OfSaw()
        of.packs.append(pack.trace)
        of.received_us = received_us
        of.again |= again

    def look_up(self, receipt_of: Callable[[str, int], Receipt | None]) -> None:
        """Gives the packs in ``again`` the times that they had when they were first received."""
        while self.again:
            now, payload = self.again[-1]
            first = self.receipts.get((now.saw, now.mid)) or receipt_of(now.saw, now.mid)
            if first is None or first.digest != now.digest:
                first = self.receipts[now.saw, now.mid] = now
            self.add(now.saw, read_pack(payload, first.received_us), first.received_us, again=True)
            self.again.pop()

    def _take_readings(self, saw: str, message: Message) -> None:
        if message.retained:
            raise Refusal(
                "retained",
                later(
                    "the broker kept this pack and delivers it anew at each subscription, long after it was "
                    "measured; publish readings without the retain flag, and clear the kept one by publishing an "
                    "empty retained message"
                ),
            )
        pack = read_pack(message.payload, message.received_us)
        self._addresses.check_box(saw, pack.box, pack.trace.first, pack.trace.last)
        if pack.relative and message.mid is not None:
            # Relative to the first receipt, or a redelivery would count twice.
            digest = blake2b(message.payload, digest_size=16).digest()
            receipt = Receipt(saw, message.mid, digest, message.received_us)
            if message.again:
                self.again.append((receipt, message.payload))
                return
            self.receipts[saw, message.mid] = receipt
        self.add(saw, pack, message.received_us, again=message.again)


def _is_sound(payload: bytes) -> bool:
    """Whether a pack refused for its time says times of its own that are possible on another day."""
    try:
        return not read_pack(payload, None).relative
    except Refusal:
        return False
