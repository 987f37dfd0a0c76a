"""Signing in and out, badges for phones, TVs and programs, and counting those who guess."""

from __future__ import annotations

import hashlib
import ipaddress
import logging
import secrets as random
from dataclasses import dataclass
from typing import TYPE_CHECKING

from itsdangerous import BadSignature, Signer
from sqlalchemy.exc import SQLAlchemyError

from api.door import secrets
from api.door.guest import NOBODY, Guest, rights_of
from api.door.rights import ROLES
from collector.book.audit import Entry, speaking
from collector.book.badges import Badge
from collector.facts import SECOND

if TYPE_CHECKING:
    from collections.abc import Callable, Iterable

    from api.door.rights import Right
    from collector.book.people import PeopleBook
    from collector.book.person import Person

log = logging.getLogger(__name__)

MINUTE = 60 * SECOND
HOUR = 60 * MINUTE
DAY = 24 * HOUR

SESSION, PHONE, POST, TV, LINK, INVITATION, TOKEN = "session", "phone", "post", "tv", "link", "invitation", "token"
RENEWAL = "renewal"
"""Kinds of badges. A *post* is a phone that several people share; each signs in on it with a PIN. A *renewal* lets its
person choose a password, once."""
ONCE = frozenset({INVITATION, RENEWAL})
"""Kinds that open nothing by themselves."""

SESSION_LONGEST = 30 * DAY
SESSION_IDLE = 12 * HOUR
PIN_LONGEST = 12 * HOUR
PIN_IDLE = 15 * MINUTE
PHONE_IDLE = 90 * DAY
INVITATION_LONGEST = 15 * MINUTE
RENEWAL_LONGEST = DAY
FIRST_OWNER_LONGEST = DAY
ENDED_KEPT = 30 * DAY
AUDIT_KEPT = 730 * DAY
KNOCKS_KEPT = DAY
REFUSALS_KEPT = 10_000
"""Entries about attempts that were refused: a guesser must not fill the disk."""

_ONE = (5, MINUTE, HOUR)
"""Attempts at one account from one address: five are free, then a wait of a minute that doubles up to an hour. So
for a browser, wherever it is, in which the person has signed in before: others' attempts never lock that one."""
_ACCOUNT = (50, 5 * MINUTE, HOUR)
"""At one account from everywhere: many, so that a stranger cannot easily lock somebody out."""
_ADDRESS = (30, MINUTE, HOUR)
"""From one address at whatever."""


class RefusedError(Exception):
    """Name, password, PIN or code is wrong; the text does not say which."""


@dataclass
class LockedError(Exception):
    """Too many attempts; free again at ``until`` (µs UTC)."""

    until: int


@dataclass(frozen=True, slots=True)
class Opened:
    """A badge that was just made, with its secret, which is shown once and kept nowhere."""

    badge: Badge
    secret: str
    person: Person | None = None


class Door:
    """Lets people in.

    Args:
        book: the people of the book.
        now: the present, microseconds UTC.

    Attributes:
        book: the people of the book.
        now: the present, microseconds UTC.
    """

    def __init__(self, book: PeopleBook, now: Callable[[], int]) -> None:
        self.book = book
        self.now = now
        self._signer: Signer | None = None
        self._tidied = 0

    # At every request

    def admit(self, cookies: Iterable[str], bearer: str | None = None, *, acting: bool = True) -> Guest:
        """Whoever shows these: of several that are good, the one that may do most.

        Args:
            cookies: as browsers send them.
            bearer: the token of a program.
            acting: whether a person does something; a page that asks again by itself keeps no PIN's session alive.
        """
        shown = [secret for cookie in cookies if (secret := self._signed(cookie))]
        if bearer:
            shown.append(bearer)
        if not shown:
            return NOBODY
        now = self.now()
        found = self.book.find([secrets.digest(s) for s in shown], now)
        guests = [self._guest(badge, person) for badge, person in found if badge.kind not in ONCE | {LINK}]
        if not guests:
            return NOBODY
        for badge, _ in found:
            if acting or badge.kind != SESSION or badge.parent_id is None:
                self._seen(badge, now)
        return max(guests, key=lambda guest: (len(guest.rights), guest.person is not None))

    def holds(self, number: int) -> bool:
        """Whether a badge still opens the door; for lines that stay open."""
        badge = self.book.badge(number)
        return badge is not None and bool(self.book.find([badge.digest], self.now()))

    def post_of(self, cookies: Iterable[str]) -> Badge | None:
        """The shared phone that shows these, if it is one."""
        shown = [secrets.digest(secret) for cookie in cookies if (secret := self._signed(cookie))]
        found = self.book.find(shown, self.now()) if shown else []
        return next((badge for badge, _ in found if badge.kind == POST), None)

    def cookie(self, secret: str) -> str:
        """A secret as a cookie carries it: signed, so that an invented one never reaches the book."""
        return self._sign().sign(secret.encode()).decode()

    # Signing in

    def sign_in(self, name: str, password: str, address: str, known: str | None = None) -> Opened:
        """By name and password.

        Args:
            name: of the person.
            password: theirs, perhaps.
            address: from which it is tried.
            known: what `known_cookie` once gave the browser.

        Raises:
            LockedError: too many attempts.
            RefusedError: it is not right, or the person is shut out.
        """
        who = self.book.named(name)
        login = f"person {who.id}" if who else "unknown " + secrets.digest(name.casefold())[:16]
        mine = who and self._known(known, who.id)
        if mine:
            keys = {mine: _ONE}
        else:
            near = _network(address)
            keys = {f"{login} from {near}": _ONE, login: _ACCOUNT, f"from {near}": _ADDRESS}
        self._count(keys)
        if not secrets.right(who.password if who and who.active else None, password):
            self._refuse(who, f"address {address}", "was refused: password")
            raise RefusedError
        assert who is not None
        self.book.forgive(key for key in keys if not key.startswith("from "))
        return self._open(SESSION, who, f"address {address}", "signed in", SESSION_LONGEST, SESSION_IDLE)

    def check(self, who: Person, password: str, address: str) -> None:
        """Whether somebody who is signed in knows their password.

        Raises:
            LockedError: too many attempts.
            RefusedError: it is not right.
        """
        keys = {f"person {who.id} from {_network(address)}": _ONE, f"person {who.id}": _ACCOUNT}
        self._count(keys)
        if not secrets.right(who.password, password):
            self._refuse(who, f"address {address}", "was refused: old password")
            raise RefusedError
        self.book.forgive(keys)

    def sign_in_with_pin(self, post: Badge, person: int, pin: str) -> Opened:
        """With a PIN, on a phone that several people share.

        Raises:
            LockedError: too many attempts.
            RefusedError: it is not right, or the person is shut out.
        """
        who = self.book.person(person)
        keys = {f"pin {person} on {post.id}": _ONE, f"pin {person}": _ONE, f"pins on {post.id}": _ADDRESS}
        self._count(keys)
        if not secrets.right(who.pin if who and who.active else None, pin):
            self._refuse(who, f"shared phone {post.id}: {post.title}", "was refused: PIN")
            raise RefusedError
        assert who is not None
        self.book.forgive([f"pin {person} on {post.id}", f"pin {person}"])
        phone = f"shared phone {post.id}: {post.title}"
        return self._open(SESSION, who, phone, "signed in", PIN_LONGEST, PIN_IDLE, post.id)

    def new_first_code(self) -> str | None:
        """A new one-time code for whoever becomes the first owner; None: there is an owner."""
        if self.book.owned():
            return None
        code = secrets.code()
        self.book.set_key("first owner", secrets.code_digest(code), self.now() + FIRST_OWNER_LONGEST)
        return code

    def first_owner(self, code: str, name: str, password: str, address: str) -> Opened:
        """The first owner's account, by the code that the program printed.

        Raises:
            LockedError: too many attempts.
            RefusedError: the code is wrong, old or used.
            secrets.WeakError: the password will not do.
            collector.book.people.NameTakenError: there is somebody of that name.
        """
        self._count({"first owner": (10, MINUTE, HOUR), f"from {_network(address)}": _ADDRESS})
        secrets.check_password(password, name)
        kept, now = secrets.hashed(password), self.now()
        entry = Entry(now, name, "owner", f"address {address}", "became the first owner")
        who = self.book.first_owner(name, kept, now, secrets.code_digest(code), entry)
        if who is None:
            raise RefusedError
        self.book.forgive(["first owner"])
        return self._open(SESSION, who, f"address {address}", "signed in", SESSION_LONGEST, SESSION_IDLE)

    def show(self, secret: str, address: str) -> Opened:
        """What a QR code or a link says: pairs a phone, once, or opens a TV's session, as often as the link is good.

        Raises:
            LockedError: too many attempts.
            RefusedError: it is old, used, or was ended.
        """
        self._count({f"from {_network(address)}": _ADDRESS})
        digest, now = secrets.digest(secret), self.now()
        found = next((b for b, _ in self.book.find([digest], now) if b.kind in {LINK, INVITATION}), None)
        if found is None or (found.kind == INVITATION and self.book.use_up(digest, INVITATION, now) is None):
            raise RefusedError
        self.book.forgive([f"from {_network(address)}"])
        if found.kind == LINK:
            fresh, key = Badge(TV, "", found.title, now, found.title, parent_id=found.id, role="viewer"), "opened"
        elif found.person_id is None:
            fresh, key = Badge(POST, "", found.title, now, found.made_by, role="viewer"), "paired"
        else:
            fresh, key = (
                Badge(PHONE, "", found.title, now, found.made_by, found.person_id, idle_us=PHONE_IDLE),
                "paired",
            )
        who = None if found.person_id is None else self.book.person(found.person_id)
        return self._keep(fresh, who, key, f"address {address}", found.title)

    def renew(self, secret: str, password: str, address: str) -> Opened:
        """A new password, by the code that an owner gave; all sessions and phones of the person end.

        Raises:
            LockedError: too many attempts.
            RefusedError: the code is old or used, or the person is shut out.
            secrets.WeakError: the password will not do; the code stays good.
        """
        self._count({f"from {_network(address)}": _ADDRESS})
        digest, now = secrets.digest(secret), self.now()
        found = self.book.find([digest], now)
        who = found[0][1] if found and found[0][0].kind == RENEWAL else None
        if who is None:
            raise RefusedError
        secrets.check_password(password, who.name)
        kept = secrets.hashed(password)
        if self.book.use_up(digest, RENEWAL, now) is None:
            raise RefusedError
        with speaking(Entry(now, who.name, who.role, f"address {address}", "chose a password")):
            self.book.change_person(who.id, now, password=kept)
        self.book.forgive([f"from {_network(address)}"])
        return self._open(SESSION, who, f"address {address}", "signed in", SESSION_LONGEST, SESSION_IDLE)

    def sign_out(self, guest: Guest) -> None:
        """Ends the badge by which somebody was let in, if it is one that can be had again."""
        if guest.badge is not None and guest.kind in {SESSION, PHONE}:
            now = self.now()
            self.book.end_badge(guest.badge, now, Entry(now, guest.name, guest.role, guest.through, "signed out"))

    # Badges that people hand out

    def invite(self, title: str, by: str, person: int | None) -> Opened:
        """A secret for a QR code that pairs one phone within a quarter of an hour; without a person: a shared one."""
        until = self.now() + INVITATION_LONGEST
        return self._keep(Badge(INVITATION, "", title, self.now(), by, person, until_us=until))

    def renewal(self, who: Person, by: str) -> Opened:
        """A secret by which a person chooses a password, once, within a day, unseen by whoever gave it."""
        return self._keep(Badge(RENEWAL, "", "", self.now(), by, who.id, until_us=self.now() + RENEWAL_LONGEST))

    def link(self, title: str, by: str) -> Opened:
        """A secret for the address of a TV, good until it is ended."""
        return self._keep(Badge(LINK, "", title, self.now(), by, role="viewer"))

    def token(self, title: str, by: str, rights: Iterable[Right], days: int | None) -> Opened:
        """A secret for a program."""
        until = None if days is None else self.now() + days * DAY
        return self._keep(Badge(TOKEN, "", title, self.now(), by, rights=" ".join(sorted(rights)), until_us=until))

    def tidy(self) -> None:
        """Forgets what has been over for long."""
        now = self._tidied = self.now()
        self.book.tidy(
            ended_before_us=now - ENDED_KEPT,
            noted_before_us=now - AUDIT_KEPT,
            knocked_before_us=now - KNOCKS_KEPT,
            refusals=REFUSALS_KEPT,
        )

    def _open(
        self, kind: str, who: Person, through: str, did: str, longest: int, idle: int, parent: int | None = None
    ) -> Opened:
        now = self.now()
        fresh = Badge(
            kind,
            "",
            through.removeprefix("address ")[:64],
            now,
            who.name,
            who.id,
            parent,
            until_us=now + longest,
            idle_us=idle,
        )
        return self._keep(fresh, who, did, through)

    def _keep(
        self, fresh: Badge, who: Person | None = None, did: str = "", through: str = "", detail: str = ""
    ) -> Opened:
        secret = secrets.token()
        values = {name: getattr(fresh, name) for name in Badge.__slots__} | {"digest": secrets.digest(secret)}
        entry = None
        if did:
            name, role = (who.name, who.role) if who else (fresh.title, fresh.role or "")
            entry = Entry(self.now(), name, role, through, did, detail)
        return Opened(self.book.add_badge(Badge(**values), entry), secret, who)

    def _count(self, keys: dict[str, tuple[int, int, int]]) -> None:
        until = self.book.knocked(keys, self.now())
        if until:
            raise LockedError(until)

    def _refuse(self, who: Person | None, through: str, did: str) -> None:
        # A name that nobody has is kept nowhere: people type passwords there by mistake.
        name, role = (who.name, who.role) if who else ("unknown", "")
        self.book.note(Entry(self.now(), name, role, through, did))

    def _guest(self, badge: Badge, person: Person | None) -> Guest:
        through = f"{badge.kind} {badge.id}" + (f": {badge.title}" if badge.title else "")
        if person is not None:
            return Guest(person.name, person.role, ROLES[person.role], through, badge.id, person.id, badge.kind)
        if badge.kind == TOKEN:
            return Guest(badge.title, "", rights_of(badge.rights), through, badge.id, None, badge.kind)
        role = badge.role or "viewer"
        return Guest(badge.title, role, ROLES[role], through, badge.id, None, badge.kind)

    def _seen(self, badge: Badge, now: int) -> None:
        if now - badge.seen_us < min(10 * MINUTE, (badge.idle_us or DAY) // 10):
            return
        try:
            self.book.seen(badge.id, now)
            if now - self._tidied > DAY:
                self.tidy()
        except SQLAlchemyError:  # a book that cannot be written must not keep a wall from being read
            log.warning("when %s %d was seen could not be kept", badge.kind, badge.id)

    def _sign(self) -> Signer:
        if self._signer is None:
            key = self.book.key("cookies", random.token_hex(32))
            self._signer = Signer(key, salt="kerfbook.badge", digest_method=hashlib.sha256)
        return self._signer

    def known_cookie(self, person: int) -> str:
        """What a browser keeps in which somebody signed in by password: it opens nothing, and is counted apart."""
        return self._sign().sign(f"known {person} {random.token_hex(8)}").decode()

    def _known(self, cookie: str | None, person: int) -> str | None:
        """By what the attempts of a browser are counted that this person has used before."""
        text = self._signed(cookie) if cookie else None
        return text if text and text.startswith(f"known {person} ") else None

    def _signed(self, cookie: str) -> str | None:
        try:
            return self._sign().unsign(cookie).decode()
        except (BadSignature, UnicodeDecodeError):
            return None


def _network(address: str) -> str:
    """As whom an address counts: whoever has one of IPv6 has all of its /64."""
    try:
        found = ipaddress.ip_address(address)
    except ValueError:
        return address[:64]
    return str(found) if found.version == 4 else str(ipaddress.ip_network((found, 64), strict=False))
