"""The kinds of alerts: how much each matters, who is told, what they should do, and how it is kept from fluttering."""

from __future__ import annotations

from dataclasses import dataclass

from api.answers.alerts import Priority
from api.tongues.say import gettext, later
from collector.facts import SECOND

MINUTE = 60 * SECOND
HOUR = 60 * MINUTE


@dataclass(frozen=True, slots=True)
class Kind:
    """A kind of alert.

    Attributes:
        name: its name in addresses and the book.
        title: what it is, in a few words, after the saw's name.
        priority: how much it matters.
        roles: who is told; where nobody of them acknowledges, `escalate_to`.
        does: what the reader should do: a sentence, or several.
        page: path of the page that shows it; ``{saw}`` and ``{subject}`` are filled in.
        delay: a condition must hold so long, microseconds.
        hold: and be gone so long before it is over.
    """

    name: str
    title: str
    priority: Priority
    roles: tuple[str, ...]
    does: str | tuple[str, ...]
    page: str = "/alerts"
    delay: int = 0
    hold: int = 0

    @property
    def heading(self) -> str:
        """The title in the reader's language."""
        return gettext(self.title)

    @property
    def to_do(self) -> str:
        """What the reader should do, in the reader's language."""
        return " ".join(gettext(text) for text in ((self.does,) if isinstance(self.does, str) else self.does))


def _kinds(*kinds: Kind) -> dict[str, Kind]:
    return {kind.name: kind for kind in kinds}


_STOP = later("Stop using the saw until it is known why; isolate it and lock it off before anybody looks at the blade.")

AT_THE_BLADE = later(
    "First isolate the saw and lock it off, wait for standstill, wear gloves for the blade, and follow the machine's "
    "own manual and local rules."
)

KINDS = _kinds(
    Kind(
        "task-due",
        later("maintenance due today"),
        Priority.LOW,
        ("operator",),
        later("Do it before the shift ends and tick it on the phone."),
        "/maintenance#{subject}",
    ),
    Kind(
        "task-overdue",
        later("maintenance not done"),
        Priority.MEDIUM,
        ("maintenance",),
        later("See that it is done, and tick it; if it was done and not ticked, tick it for the day it was done."),
        "/maintenance#{subject}",
    ),
    Kind(
        "box-silent",
        later("sensor box silent"),
        Priority.MEDIUM,
        ("maintenance", "installer"),
        later("Look whether the box has power and network. What the saw does meanwhile is missing from every number."),
        delay=5 * MINUTE,
        hold=30 * MINUTE,
    ),
    Kind(
        "clock-wrong",
        later("the box's clock is wrong or it delivers late"),
        Priority.MEDIUM,
        ("installer", "maintenance"),
        later("Set the box's clock, or let it send times relative to now; check its network if it delivers late."),
        delay=2 * MINUTE,
        hold=10 * MINUTE,
    ),
    Kind(
        "idling",
        later("motor runs and nobody cuts"),
        Priority.LOW,
        ("operator",),
        later("Switch the motor off if nobody is about to cut."),
        hold=5 * MINUTE,
    ),
    Kind(
        "braking-slow",
        later("blade takes too long to stop"),
        Priority.HIGH,
        ("maintenance", "owner"),
        (_STOP, later("Have the brake looked at by somebody qualified.")),
        hold=HOUR,
    ),
    Kind(
        "door-early",
        later("blade door opened before standstill"),
        Priority.HIGH,
        ("maintenance",),
        later(
            "Speak with the crew today: wait for standstill, then open. Have the door's interlock looked at if it "
            "should have kept the door closed."
        ),
        hold=30 * MINUTE,
    ),
    Kind(
        "current-door-open",
        later("motor current while the blade door is open"),
        Priority.HIGH,
        ("maintenance", "owner"),
        (_STOP, later("Either the interlock failed or the box's door switch is wrong.")),
        hold=30 * MINUTE,
    ),
    Kind(
        "cannot-start",
        later("motor cannot start"),
        Priority.HIGH,
        ("maintenance", "operator"),
        (
            _STOP,
            later(
                "Its starting current stayed: blade, belt or bearing may be jammed, or a phase missing. Do not try "
                "again before somebody qualified has looked."
            ),
        ),
        hold=30 * MINUTE,
    ),
    Kind(
        "beam-unlocked",
        later("beam unlocked during a vertical cut"),
        Priority.MEDIUM,
        ("maintenance", "operator"),
        later(
            "A vertical cut wants the beam locked at a station: a beam that moves pinches the blade. Check lock and "
            "switch."
        ),
        hold=HOUR,
    ),
    Kind(
        "refusals",
        later("messages of a box are refused"),
        Priority.MEDIUM,
        ("installer",),
        later("Read the reasons on the refusals page; each says what is wrong and what to do."),
        "/refusals",
        hold=HOUR,
    ),
    Kind(
        "disk-full",
        later("disk nearly full"),
        Priority.HIGH,
        ("installer", "owner"),
        later("Make room on the disk of the stores: when it is full, nothing more can be kept."),
        hold=10 * MINUTE,
    ),
    # Raised by what the collector notes of itself: `api.trouble_watch`.
    Kind(
        "broker-away",
        later("no connection to the broker"),
        Priority.MEDIUM,
        ("installer",),
        later(
            "See that the broker runs and can be reached. Boxes and broker keep what is measured meanwhile, as far as "
            "they are set up to."
        ),
        delay=2 * MINUTE,
        hold=10 * MINUTE,
    ),
    Kind(
        "stores-failing",
        later("readings cannot be written"),
        Priority.HIGH,
        ("installer", "owner"),
        later(
            "See to the disk and to what else uses the files. The broker keeps what is not written; it goes on by "
            "itself when the stores are well."
        ),
        hold=10 * MINUTE,
    ),
    Kind(
        "store-torn",
        later("a store was damaged and mended"),
        Priority.HIGH,
        ("installer", "owner"),
        later(
            "Have the disk or memory card looked at, and replace it soon. The damaged file was put aside; what could "
            "be read of it was kept, and facts were derived again."
        ),
        hold=HOUR,
    ),
    Kind(
        "clock-jumped",
        later("the clock of Kerfbook's computer jumped"),
        Priority.MEDIUM,
        ("installer",),
        later("See that the computer gets its time from a time server, before it starts to collect."),
        hold=HOUR,
    ),
    Kind(
        "stretch-aside",
        later("the program failed at some readings"),
        Priority.MEDIUM,
        ("installer",),
        later(
            "Cuts and runs of that stretch are missing; its readings are kept. Report it, and update the program: at "
            "its next start it tries again."
        ),
        hold=HOUR,
    ),
    Kind(
        "two-boxes",
        later("two boxes speak for one saw"),
        Priority.MEDIUM,
        ("installer",),
        later("One of them has the wrong saw in its settings: correct it. Name the saw's box in kerfbook.toml."),
        hold=10 * MINUTE,
    ),
    Kind(
        "box-changed",
        later("another box speaks for the saw"),
        Priority.LOW,
        ("installer",),
        later(
            "If you exchanged the box, acknowledge this. Else see whether two boxes were swapped: what one saw does "
            "would be counted for another. Name the saw's box in kerfbook.toml."
        ),
        hold=10 * MINUTE,
    ),
    Kind(
        "box-floods",
        later("a box sends far too much"),
        Priority.MEDIUM,
        ("installer",),
        later("Switch the box off and on; if it goes on, take it off the network: it delays the others."),
        hold=10 * MINUTE,
    ),
    # Raised by what people report from the saw: `api.fault_watch`.
    Kind(
        "fault-reported",
        later("fault reported"),
        Priority.MEDIUM,
        ("maintenance",),
        (
            later("Look at it, and say on the maintenance page when it is dealt with. For work at the blade:"),
            AT_THE_BLADE,
        ),
        "/maintenance#faults",
    ),
    # Raised by what knows blades: `api.blade_watch`.
    Kind(
        "blade-limit-near",
        later("blade near its limit"),
        Priority.LOW,
        ("maintenance",),
        later("Have a sharp blade ready."),
        "/blades/{subject}",
        hold=HOUR,
    ),
    Kind(
        "blade-limit",
        later("blade at its limit"),
        Priority.MEDIUM,
        ("maintenance", "operator"),
        (later("Change the blade."), AT_THE_BLADE),
        "/blades/{subject}",
        hold=HOUR,
    ),
    Kind(
        "blade-wear",
        later("cuts heavier than when the blade was fresh"),
        Priority.MEDIUM,
        ("maintenance",),
        (later("Look at the blade, and change it if it is dull."), AT_THE_BLADE),
        "/blades/{subject}",
        hold=HOUR,
    ),
    Kind(
        "blade-change-unconfirmed",
        later("blade change not confirmed"),
        Priority.LOW,
        ("operator",),
        later("Say on the phone which blade went in, or that it was only cleaned."),
        "/saw/{saw}/blade",
        delay=30 * MINUTE,
    ),
)
"""Every kind, by name."""
