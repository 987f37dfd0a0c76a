"""``kerfbook people``: accounts from the command line, for the first one, for a forgotten password, and for erasing."""

from __future__ import annotations

import getpass
import sys
import time
from typing import TYPE_CHECKING, Any

from api.door.door import Door
from api.door.erase import erase
from api.door.rights import GRANTABLE, ROLES, Right
from api.door.secrets import WeakError, check_password, check_pin, hashed
from api.tongues.say import gettext, later, ngettext, reason
from collector.book.audit import Entry, speaking
from collector.book.entries import BookError
from collector.book.people import PeopleBook
from collector.trace.store import TraceError
from dashboard.commands import codes
from dashboard.commands.place import NoPlaceError, add_place, clock, find_place

if TYPE_CHECKING:
    import argparse

    from collector.book.person import Person
    from dashboard.commands.place import Place

HELP = later("people who may sign in: list, add, change, shut out, erase")
MORE = later("""
  kerfbook people                       everybody, with their roles
  kerfbook people add NAME --role ROLE  a new account; asks for a password
  kerfbook people password NAME         a new password, for whoever forgot it
  kerfbook people pin NAME              a new PIN, for phones that several people share
  kerfbook people role NAME --role ROLE another role
  kerfbook people out NAME              shut out; ends all sessions and phones. `in` undoes it
  kerfbook people erase NAME            puts "person N" in place of the name everywhere, for ever
  kerfbook people token NAME --may see  a token called NAME for a program; printed once
  kerfbook people link NAME             the end of an address that opens the wall on a TV

A password is read from the terminal without an echo, or as one line from a pipe; never
from the command line, where others could read it. Works while `kerfbook run` runs.

Exit code: 0 done, 1 refused or the book could not be opened, 2 wrong arguments or no
configuration.
""")

ACTS = ("list", "add", "password", "pin", "role", "out", "in", "erase", "token", "link")


def add(parser: argparse.ArgumentParser) -> None:
    """Describe the arguments."""
    parser.add_argument(
        "act",
        nargs="?",
        choices=ACTS,
        default="list",
        metavar="ACT",
        help=gettext("one of {words}", words=", ".join(ACTS)),
    )
    parser.add_argument("name", nargs="?", metavar="NAME", help=gettext("of the person, program or TV"))
    parser.add_argument("--role", choices=sorted(ROLES), help=gettext("what the person may do"))
    parser.add_argument(
        "--may",
        action="append",
        choices=[str(r) for r in GRANTABLE],
        help=gettext("a right of a token; may be repeated"),
    )
    add_place(parser)


def run(args: argparse.Namespace) -> int:
    """Do one thing to one person."""
    try:
        place = find_place(args)
        if args.act != "list" and not args.name:
            raise NoPlaceError(gettext("`people {act}` wants a name", act=args.act))  # noqa: TRY301 (told in one place)
        if args.act in {"add", "role"} and not args.role:
            roles = ", ".join(sorted(ROLES))
            raise NoPlaceError(gettext("`people {act}` wants --role, one of {words}", act=args.act, words=roles))  # noqa: TRY301
        if args.act == "token" and not args.may:
            raise NoPlaceError(gettext("`people token` wants --may, such as --may see"))  # noqa: TRY301
    except NoPlaceError as error:
        print(f"kerfbook people: {error}", file=sys.stderr)
        return codes.MISUSED
    now = time.time_ns() // 1000
    try:
        with place.open_book() as book:
            people = PeopleBook(book)
            if args.act == "list":
                _list(people, place)
                return codes.DONE
            entry = Entry(now, getpass.getuser()[:64], "", "command line", f"people {args.act}")
            with speaking(entry):
                print(_act(people, args, now))
    except (BookError, TraceError, WeakError, LookupError, OSError) as error:
        print("kerfbook people:", reason(error), file=sys.stderr)
        return codes.FLAWED
    return codes.DONE


_OPENS = {
    (True, True): later("password and PIN"),
    (True, False): later("password"),
    (False, True): later("PIN"),
    (False, False): later("paired phone only"),
}


def _list(people: PeopleBook, place: Place) -> None:
    for who in people.people():
        if who.erased_us is not None:
            state = gettext("erased {date}", date=clock(who.erased_us, place.zone, "%Y-%m-%d"))
        elif not who.active:
            state = gettext("shut out")
        else:
            state = gettext(_OPENS[who.password is not None, who.pin is not None])
        print(f"{who.name:<30} {who.role:<12} {state}")


def _act(people: PeopleBook, args: argparse.Namespace, now: int) -> str:
    """Do it; returns what to tell."""
    door = Door(people, lambda: now)
    name = " ".join(args.name.split())
    if args.act == "add":
        password = _read("password", name)
        people.add_person(name, args.role, now, password=password)
        return gettext("{name} may sign in as {role}", name=name, role=args.role)
    if args.act == "token":
        made = door.token(name, "command line", {Right(r) for r in args.may}, None)
        told = gettext("shown once; the program sends it as  {header}", header="Authorization: Bearer …")
        return f"{made.secret}\n{told}"
    if args.act == "link":
        path = f"/enter#{door.link(name, 'command line').secret}"
        return gettext("open this on the TV, behind the address of your screens:  {path}", path=path)
    return _change(people, args, name, now)


def _change(people: PeopleBook, args: argparse.Namespace, name: str, now: int) -> str:
    who = _somebody(people, name)
    match args.act:
        case "erase":
            return _erase(people, who, name, now)
        case "password" | "pin":
            fields: dict[str, Any] = {args.act: _read(args.act, who.name)}
            people.change_person(who.id, now, **fields)
            if args.act == "pin":
                return gettext("a new PIN for {name}; all sessions and phones of theirs are signed out", name=who.name)
            return gettext("a new password for {name}; all sessions and phones of theirs are signed out", name=who.name)
        case "role":
            people.change_person(who.id, now, role=args.role)
            return gettext("{name} is {role}", name=who.name, role=args.role)
        case _:
            people.change_person(who.id, now, active=args.act == "in")
            if args.act == "in":
                return gettext("{name} is let in again", name=who.name)
            return gettext("{name} is shut out", name=who.name)


def _erase(people: PeopleBook, who: Person, name: str, now: int) -> str:
    erased = erase(people, who.id, now)
    told = gettext("{name} is {alias} from now on", name=name, alias=erased.alias)
    if not erased.mentions:
        return told
    left = ngettext(
        "{n} note written by hand still says the name",
        "{n} notes written by hand still say the name",
        erased.mentions,
    )
    return f"{told}; {left}"


def _somebody(people: PeopleBook, name: str) -> Person:
    who = people.named(name)
    if who is None:
        raise LookupError(gettext("there is nobody called {name}; `kerfbook people` lists all", name=repr(name)))
    return who


def _read(what: str, name: str) -> str:
    """The hash of a new password or PIN that somebody types or pipes in.

    Raises:
        WeakError: others would guess it, or the two entries differ.
    """
    if sys.stdin.isatty():
        given = getpass.getpass(
            gettext("new PIN of {name}: ", name=name)
            if what == "pin"
            else gettext("new password of {name}: ", name=name)
        )
        if getpass.getpass(gettext("once more: ")) != given:
            raise WeakError(gettext("the two were not the same; nothing was changed"))
    else:
        given = sys.stdin.readline().rstrip("\n")
    if what == "pin":
        check_pin(given)
    else:
        check_password(given, name)
    return hashed(given)
