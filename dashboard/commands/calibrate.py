"""``kerfbook calibrate``: a guided trial of one saw, and how its detector does by people's marks."""

from __future__ import annotations

import select
import sys
import time
from typing import TYPE_CHECKING

from api.answers.findings import amps, told
from api.score import score_of
from api.tongues.say import gettext, later, ngettext, reason
from collector.book.entries import BookError, SawEntry
from collector.book.marks import Marks
from collector.book.settings import SawSettings, SettingsHistory
from collector.calibrate import Calibration, Level, Steps, calibrate
from collector.facts import SECOND
from collector.trace.store import TraceError
from dashboard.commands import codes
from dashboard.commands.asking import agreed
from dashboard.commands.place import NoPlaceError, Place, add_place, clock, find_place, moment

if TYPE_CHECKING:
    import argparse

    from collector.book.book import Book
    from collector.trace.store import TraceStore

HELP = later("get a saw's detector started: motor off, idle, three cuts; or report how it does")
MORE = later("""
Watches the saw's live current while you follow five steps: motor off, idle, three cuts,
switch off, standstill. Says what it sees, and whether the clamp is too big, too small, or
does not see the motor; then keeps the settings with their date. The collector must be
running; it works with new settings as soon as the saw rests. `kerfbook derive` takes them to
the past.

--steps looks at a trial that was made before: the five times at which it began, was
switched on, began to cut, was switched off, and ended. --report prints precision and recall
against people's marks.

The current clamp goes round one insulated conductor inside an enclosure: a licensed
electrician fits it. Before any work at the blade: isolate the saw, lock it off, wait for
standstill, and follow the machine's own manual. Kerfbook informs and protects nobody.

Exit code: 0 sound, kept or reported; 1 something must be mended first, or no marks; 2 wrong
arguments or no stores; 3 shown, and not kept.

example: kerfbook calibrate heron
""")

_ASKS = (
    later(
        "Motor off. Lock the beam at a station and free it; with the blade standing still, open the blade door and "
        "close it. Wait half a minute, then press Enter and switch the motor on"
    ),
    later("Let it idle for a minute. Press Enter when you are about to cut"),
    later("Make three cuts in usual material, some seconds apart. Press Enter and switch the motor off"),
    later("Wait until the blade stands still and ten seconds more. Press Enter"),
)
_SIGNS = {Level.GOOD: "ok  ", Level.NOTE: "    ", Level.ATTENTION: later("look"), Level.FAULT: later("MEND")}
_WEEKS_US = 8 * 7 * 86_400 * SECOND


def add(parser: argparse.ArgumentParser) -> None:
    """Describe the arguments."""
    parser.add_argument("saw", metavar="SAW", help=gettext("name of the saw"))
    parser.add_argument(
        "--steps", nargs=5, metavar="TIME", help=gettext("times of a trial made before: off idle cuts stop end")
    )
    parser.add_argument("--report", action="store_true", help=gettext("precision and recall against people's marks"))
    parser.add_argument(
        "--from", dest="start", metavar="TIME", help=gettext("of the report (default: eight weeks ago)")
    )
    parser.add_argument("--to", dest="end", metavar="TIME", help=gettext("of the report (default: now)"))
    parser.add_argument(
        "--who", default="installer", metavar="ROLE", help=gettext("who keeps them (default: installer)")
    )
    parser.add_argument("--yes", action="store_true", help=gettext("keep sound settings without asking"))
    add_place(parser)


def run(args: argparse.Namespace) -> int:
    """Guide, look, keep; or report."""
    try:
        place = find_place(args)
        place.check_saw(args.saw)
        _check_who(args.who)
        now = time.time_ns() // 1000
        start = moment(args.start, place.zone) if args.start else now - _WEEKS_US
        end = moment(args.end, place.zone) if args.end else now
        steps = Steps(*(moment(text, place.zone) for text in args.steps)) if args.steps else None
    except (NoPlaceError, ValueError) as error:
        print("kerfbook calibrate:", reason(error), file=sys.stderr)
        return codes.MISUSED
    try:
        with place.open() as (trace, book):
            if args.report:
                return _report(args.saw, place, book, (start, end))
            return _trial(args, place, trace, book, steps)
    except (TraceError, BookError) as error:
        print("kerfbook calibrate:", reason(error), file=sys.stderr)
        return codes.MISUSED
    except KeyboardInterrupt:
        print("\n" + gettext("stopped; nothing was kept"), file=sys.stderr)
        return codes.SHOWN


def _check_who(who: str) -> None:
    if not who.strip() or len(who) > 64:
        raise NoPlaceError(gettext("--who is a name or role of at most 64 characters"))


def _report(saw: str, place: Place, book: Book, period: tuple[int, int]) -> int:
    days, score = score_of(book, saw, *period, place.zone)
    if not days:
        start, end = (clock(at, place.zone) for at in period)
        print(
            gettext(
                "{saw}: nobody marked a cut between {start} and {end}; mark what is wrong in the logbook first",
                saw=saw,
                start=start,
                end=end,
            )
        )
        return codes.FLAWED
    print(
        ngettext(
            "{saw}: by people's marks on 1 day, unmarked cuts there taken as right",
            "{saw}: by people's marks on {n} days, unmarked cuts there taken as right",
            len(days),
            saw=saw,
        )
    )
    for word, figure in (
        (gettext("found and right"), f"{score.right:6d}"),
        (gettext("found, no cut"), f"{score.wrong:6d}"),
        (gettext("missed"), f"{score.missed:6d}"),
        (gettext("precision"), _share(score.precision)),
        (gettext("recall"), _share(score.recall)),
    ):
        print(f"  {word:<18} {figure}")
    total = len(Marks(book).of(saw, *period, withdrawn=True))
    print(
        " ",
        ngettext(
            "1 mark in the period, those taken back included",
            "{n} marks in the period, those taken back included",
            total,
        ),
    )
    return codes.DONE


def _share(value: float | None) -> str:
    return "     -" if value is None else f"{value:.4f}"


def _trial(args: argparse.Namespace, place: Place, trace: TraceStore, book: Book, steps: Steps | None) -> int:
    if steps is None:
        if not sys.stdin.isatty():
            hint = gettext("nobody is at this terminal; give the times of a trial with --steps")
            print(f"kerfbook calibrate: {hint}", file=sys.stderr)
            return codes.MISUSED
        steps = _guide(args.saw, trace)
    found = calibrate(args.saw, trace.read(args.saw, steps.off, (steps.end or 0) + 1), steps, place.detection)
    _tell(args.saw, found, steps, place)
    if not found.sound or found.settings is None:
        print(gettext("Mend what is marked MEND, and make the trial again. Nothing was kept."))
        return codes.FLAWED
    if not args.yes and not _agreed():
        print(gettext("Nothing was kept."))
        return codes.SHOWN
    known = {entry.name for entry in book.saws()}
    if args.saw not in known:
        book.open_saws([SawEntry(args.saw)])
    m = found.measured
    seen = {"idle_amps": (m.idle_ma or 0) / 1000, "noise_amps": round((m.noise_ma or 0) / 1000, 4),
            "offset_amps": (m.offset_ma or 0) / 1000, "rises_amps": [r / 1000 for r in m.rises_ma]}  # fmt: skip
    now = time.time_ns() // 1000
    SettingsHistory(book).add(SawSettings(args.saw, steps.off, found.settings, seen, args.who.strip(), now))
    print(
        gettext(
            "Kept, in force from {time}. A running collector takes them when the saw rests; for the past: {command}",
            time=clock(steps.off, place.zone),
            command=f"kerfbook derive --from … --to … --saw {args.saw}",
        )
    )
    return codes.DONE


def _guide(saw: str, trace: TraceStore) -> Steps:
    """Leads through the steps, the live current beside each."""
    times = [time.time_ns() // 1000]
    for number, ask in enumerate(_ASKS, 1):
        print("\n" + gettext("{n} of {m}. {ask}.", n=number, m=len(_ASKS), ask=gettext(ask)))
        _wait_for_enter(saw, trace)
        times.append(time.time_ns() // 1000)
    return Steps(*times)


def _wait_for_enter(saw: str, trace: TraceStore) -> None:
    while True:
        last = trace.last(saw)
        text = gettext("nothing heard from the box yet")
        if last is not None:
            motor = trace.read(saw, last - 60 * SECOND, last + 1).motor
            age = time.time() - last / SECOND
            current = amps(int(motor.v[-1])) if len(motor) else gettext("no current reported")
            text = gettext("{current}, {n} s ago", current=current, n=round(age))
        print(f"\r  {text}          ", end="", file=sys.stderr, flush=True)
        ready, _, _ = select.select([sys.stdin], [], [], 0.5)
        if ready:
            sys.stdin.readline()
            print(file=sys.stderr)
            return


def _tell(saw: str, found: Calibration, steps: Steps, place: Place) -> None:
    print(gettext("{saw}, trial from {time}", saw=saw, time=clock(steps.off, place.zone)))
    for finding in found.findings:
        text, what_to_do = told(finding)
        print(f"  {gettext(_SIGNS[finding.level])} {text}")
        if what_to_do:
            print(f"       {what_to_do}")
    if found.settings is None:
        return
    if found.settings:
        print(" ", gettext("settings that follow:"))
        for name, value in found.settings.items():
            print(f"       {name[:-3]} {amps(value)}")
    else:
        print(" ", gettext("the usual settings fit this motor"))


def _agreed() -> bool:
    if not sys.stdin.isatty():
        print(gettext("Nobody can be asked here: say --yes to keep sound settings."), file=sys.stderr)
        return False
    return agreed(gettext("Keep them?"))
