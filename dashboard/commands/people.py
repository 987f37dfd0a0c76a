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
from api.tongues.say import gettext, later
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
            raise NoPlaceError(f"`people {args.act}` wants a name")  # noqa: TRY301 (told in one place)
        if args.act in {"add", "role"} and not args.role:
            raise NoPlaceError(f"`people {args.act}` wants --role, one of {', '.join(sorted(ROLES))}")  # noqa: TRY301
        if args.act == "token" and not args.may:
            raise NoPlaceError("`people token` wants --may, such as --may see")  # noqa: TRY301
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
        print(f"kerfbook people: {error.args[0] if error.args else error}", file=sys.stderr)
        return codes.FLAWED
    return codes.DONE


def _list(people: PeopleBook, place: Place) -> None:
    for who in people.people():
        if who.erased_us is not None:
            state = f"erased {clock(who.erased_us, place.zone, '%Y-%m-%d')}"
        elif not who.active:
            state = "shut out"
        else:
            opens = [word for word, kept in (("password", who.password), ("PIN", who.pin)) if kept]
            state = " and ".join(opens) or "paired phone only"
        print(f"{who.name:<30} {who.role:<12} {state}")


def _act(people: PeopleBook, args: argparse.Namespace, now: int) -> str:
    """Do it; returns what to tell."""
    door = Door(people, lambda: now)
    name = " ".join(args.name.split())
    if args.act == "add":
        password = _read("password", name)
        people.add_person(name, args.role, now, password=password)
        return f"{name} may sign in as {args.role}"
    if args.act == "token":
        made = door.token(name, "command line", {Right(r) for r in args.may}, None)
        return f"{made.secret}\nshown once; the program sends it as  Authorization: Bearer …"
    if args.act == "link":
        return (
            f"open this on the TV, behind the address of your screens:  /enter#{door.link(name, 'command line').secret}"
        )
    return _change(people, args, name, now)


def _change(people: PeopleBook, args: argparse.Namespace, name: str, now: int) -> str:
    who = _somebody(people, name)
    match args.act:
        case "erase":
            erased = erase(people, who.id, now)
            left = f"; {erased.mentions} notes written by hand still say the name" if erased.mentions else ""
            return f"{name} is {erased.alias} from now on{left}"
        case "password" | "pin":
            fields: dict[str, Any] = {args.act: _read(args.act, who.name)}
            people.change_person(who.id, now, **fields)
            return f"a new {args.act} for {who.name}; all sessions and phones of theirs are signed out"
        case "role":
            people.change_person(who.id, now, role=args.role)
            return f"{who.name} is {args.role}"
        case _:
            people.change_person(who.id, now, active=args.act == "in")
            return f"{who.name} is {'let in again' if args.act == 'in' else 'shut out'}"


def _somebody(people: PeopleBook, name: str) -> Person:
    who = people.named(name)
    if who is None:
        raise LookupError(f"there is nobody called {name!r}; `kerfbook people` lists all")
    return who


def _read(what: str, name: str) -> str:
    """The hash of a new password or PIN that somebody types or pipes in.

    Raises:
        WeakError: others would guess it, or the two entries differ.
    """
    if sys.stdin.isatty():
        given = getpass.getpass(f"new {what} of {name}: ")
        if getpass.getpass("once more: ") != given:
            raise WeakError("the two were not the same; nothing was changed")
    else:
        given = sys.stdin.readline().rstrip("\n")
    if what == "pin":
        check_pin(given)
    else:
        check_password(given, name)
    return hashed(given)
