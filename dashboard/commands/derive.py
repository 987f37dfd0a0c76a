"""``kerfbook derive``: facts of a period again, with today's settings; shown before they are changed."""

from __future__ import annotations

import sys
from typing import TYPE_CHECKING

from sqlalchemy.exc import SQLAlchemyError

from api.tongues.amounts import number
from api.tongues.say import gettext, later, ngettext, reason
from collector.adopt import maker, settings_of
from collector.book.entries import BookError
from collector.book.marks import Marks
from collector.facts import SECOND, Cut, Direction, Fact
from collector.marks import LONGEST_US, MarkKind, match_marks
from collector.rederive import Rederived, apply, rederive
from collector.trace.store import TraceError
from dashboard.commands import codes
from dashboard.commands.asking import agreed
from dashboard.commands.place import NoPlaceError, Place, add_place, clock, find_place, moment
from dashboard.progress import Progress

if TYPE_CHECKING:
    import argparse

    from collector.book.book import Book
    from collector.trace.store import TraceStore

HELP = later("derive the facts of a period again, with today's settings")
MORE = later("""
Reads the trace of the period again, shows what would change, asks, and changes it. The
period is widened to the nearest times at rest. Marks and everything else that people said
stay as they are. Facts whose trace has aged out cannot be derived; they stay too. What was
learned of a saw by itself is taken as it was known at the end of the period.

Safe beside a running collector: what follows the last time at rest belongs to it and is
left alone, and a part is only replaced if nothing changed in it meanwhile.

Times: 2026-03-02, '2026-03-02 14:00' (site time), or 2026-03-02T14:00:00Z.

Exit code: 0 done, or nothing to change; 1 something could not be derived or written; 2 wrong
arguments or no stores; 3 shown, and not changed.

example: kerfbook derive --from 2026-03-02 --to 2026-03-09 --saw heron
""")

SHOWN = 40
"""So many changed cuts of a saw are listed."""

_NAMES = {
    "run": later("runs"),
    "cut": later("cuts"),
    "door_visit": later("door visits"),
    "conflict": later("conflicts"),
    "gap": later("gaps"),
}
_DIRECTIONS = {
    Direction.VERTICAL: later("vertical"),
    Direction.HORIZONTAL: later("horizontal"),
    Direction.UNKNOWN: later("unknown"),
}


def add(parser: argparse.ArgumentParser) -> None:
    """Describe the arguments."""
    parser.add_argument("--from", dest="start", required=True, metavar="TIME", help=gettext("start of the period"))
    parser.add_argument("--to", dest="end", required=True, metavar="TIME", help=gettext("its end"))
    parser.add_argument("--saw", metavar="NAME", help=gettext("only this saw (default: all)"))
    parser.add_argument("--yes", action="store_true", help=gettext("change without asking"))
    parser.add_argument("--dry-run", action="store_true", help=gettext("show what would change, and stop"))
    parser.add_argument(
        "--all", action="store_true", help=gettext("list every changed cut, not the first {n}", n=SHOWN)
    )
    add_place(parser)


def run(args: argparse.Namespace) -> int:
    """Show, ask, change."""
    try:
        place = find_place(args)
        period = _period(args, place)
        if args.saw is not None:
            place.check_saw(args.saw)
    except (NoPlaceError, ValueError) as error:
        print("kerfbook derive:", reason(error), file=sys.stderr)
        return codes.MISUSED
    try:
        with place.open() as (trace, book):
            return _derive(args, place, trace, book, period)
    except (TraceError, BookError) as error:
        print("kerfbook derive:", reason(error), file=sys.stderr)
        return codes.MISUSED
    except SQLAlchemyError as error:
        told = gettext("the book failed, and keeps what it had: {error}", error=error)
        print(f"kerfbook derive: {told}", file=sys.stderr)
        return codes.FLAWED


def _period(args: argparse.Namespace, place: Place) -> tuple[int, int]:
    start, end = moment(args.start, place.zone), moment(args.end, place.zone)
    if end <= start:
        raise NoPlaceError(gettext("--to must lie after --from"))
    return start, end


def _derive(args: argparse.Namespace, place: Place, trace: TraceStore, book: Book, period: tuple[int, int]) -> int:
    saws = [args.saw] if args.saw else list(place.saws)
    settings = settings_of(book, saws, place.detection, period[1])
    make = maker(settings)
    found = []
    for saw in saws:
        show = Progress(gettext("deriving {saw}", saw=saw)) if sys.stderr.isatty() else lambda _share: None
        found.append(rederive(trace, book, saw, *period, settings[saw], make, show))
    flawed = False
    for one in found:
        flawed |= _tell(one, place, book, everything=args.all)
    if not any(one.parts for one in found):
        print(gettext("Nothing to change."))
        return codes.FLAWED if flawed else codes.DONE
    if args.dry_run:
        return codes.SHOWN
    if not args.yes and not _agreed():
        print(gettext("Nothing was changed."))
        return codes.SHOWN
    for one in found:
        written, left = apply(trace, book, one, settings[one.saw], make)
        for a, b in left:
            flawed = True
            told = gettext(
                "{saw}: {start} to {end} kept changing under the collector and was left as it is; try again later",
                saw=one.saw,
                start=clock(a, place.zone),
                end=clock(b, place.zone),
            )
            print(told, file=sys.stderr)
        if one.parts:
            print(
                ngettext(
                    "{saw}: {n} part of {total} written",
                    "{saw}: {n} parts of {total} written",
                    written,
                    saw=one.saw,
                    total=len(one.parts),
                )
            )
    return codes.FLAWED if flawed else codes.DONE


def _agreed() -> bool:
    if not sys.stdin.isatty():
        print(gettext("Nobody can be asked here: say --yes to change it, or --dry-run to only look."), file=sys.stderr)
        return False
    return agreed(gettext("Change it?"))


def _tell(found: Rederived, place: Place, book: Book, *, everything: bool) -> bool:
    """Says what would change for a saw; whether something could not be derived."""
    zone, saw = place.zone, found.saw
    if found.from_us is not None and found.to_us is not None:
        start, end = clock(found.from_us, zone), clock(found.to_us, zone)
        print(gettext("{saw}: derived {start} to {end}", saw=saw, start=start, end=end))
    else:
        print(gettext("{saw}: nothing could be derived in this period", saw=saw))
    for a, b in found.aged:
        start, end = clock(a, zone), clock(b, zone)
        told = gettext("not derivable, the trace has aged out; facts kept: {start} to {end}", start=start, end=end)
        print(f"  {told}")
    for a, b in found.unparted:
        start, end = clock(a, zone), clock(b, zone)
        told = gettext("left alone, no time at rest parts it from what follows: {start} to {end}", start=start, end=end)
        print(f"  {told}")
    if found.open_from is not None:
        told = gettext(
            "from {time} on it is the collector's; it takes today's settings when the saw rests",
            time=clock(found.open_from, zone),
        )
        print(f"  {told}")
    change = found.difference
    told = gettext("facts that stay the same: {n}", n=change.same)
    print(f"  {told}")
    for kind, (added, removed, moved) in change.counts().items():
        told = gettext(
            "{added} added, {removed} removed, {moved} moved or changed", added=added, removed=removed, moved=moved
        )
        print(f"  {gettext(_NAMES[kind])}: {told}")
    lines = _cut_lines(found, place)
    for line in lines if everything else lines[:SHOWN]:
        print(f"    {line}")
    if len(lines) > SHOWN and not everything:
        told = gettext("and {n} more; --all lists them", n=len(lines) - SHOWN)
        print(f"    {told}")
    _tell_marks(found, book)
    return bool(found.aged or found.unparted)


def _cut_lines(found: Rederived, place: Place) -> list[str]:
    rows: list[tuple[int, str]] = []
    change = found.difference
    rows += [(f.start, f"+ {_cut(f, place)}") for f in change.added if isinstance(f, Cut)]
    rows += [(f.start, f"- {_cut(f, place)}") for f in change.removed if isinstance(f, Cut)]
    for old, new in change.moved:
        if isinstance(old, Cut) and isinstance(new, Cut):
            told = gettext("{new}, was {old}", new=_cut(new, place), old=_cut(old, place, day=False))
            rows.append((new.start, f"~ {told}"))
    return [line for _, line in sorted(rows)]


def _cut(cut: Cut, place: Place, *, day: bool = True) -> str:
    length = gettext("going on") if cut.end is None else f"{number((cut.end - cut.start) / SECOND, 2)} s"
    tenths = cut.start // 100_000 % 10
    form = "%Y-%m-%d %H:%M:%S" if day else "%H:%M:%S"
    return gettext(
        "cut {time} {length} {direction} {amps} A",
        time=f"{clock(cut.start, place.zone, form)}.{tenths}",
        length=length,
        direction=gettext(_DIRECTIONS[cut.direction]),
        amps=number(cut.mean_ma / 1000, 2),
    )


def _tell_marks(found: Rederived, book: Book) -> None:
    """Which marks would lose or find their cut; none is lost itself."""
    lost = 0
    for part in found.parts:
        low, high = part.period
        said = [m for m in Marks(book).of(found.saw, low - LONGEST_US, high) if low <= m.start < high]
        if not said:
            continue
        before, after = (match_marks(said, _cuts(facts)) for facts in (part.change.before, part.change.after))
        for mark, old, new in zip(said, before, after, strict=True):
            if mark.kind is MarkKind.NO_CUT and old is not None and new is None:
                lost += 1
    if lost:
        told = ngettext(
            "{n} mark 'no cut' would find no cut any more; what was said is kept",
            "{n} marks 'no cut' would find no cut any more; what was said is kept",
            lost,
        )
        print(f"  {told}")


def _cuts(facts: list[Fact]) -> list[Cut]:
    return [f for f in facts if isinstance(f, Cut)]
