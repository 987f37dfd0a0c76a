"""Maintenance tasks to begin with, for a vertical panel saw: own words, common practice, every interval editable.

None of the intervals has a source. The machine's own manual comes first: whoever sets Kerfbook up compares each
task with it and edits what differs.
"""

from __future__ import annotations

from api.answers.tasks import ByCalendar, BySign, ByUse, Task

_WORKDAYS = "FREQ=DAILY"


def starter_tasks() -> tuple[Task, ...]:
    """The starter set."""
    return (
        Task(
            "clean-down",
            "Clean down, offcuts out",
            (
                "Switch off and wait for standstill.",
                "Take the offcuts out from behind the support grid.",
                "Brush and vacuum rails, beam, head and floor; no compressed air: it drives dust into bearings.",
                "Look whether the extraction hose is clear.",
            ),
            "operator",
            10,
            ByCalendar(_WORKDAYS, off="skip", if_used=True),
        ),
        Task(
            "rails",
            "Guide rails wiped with oil",
            (
                "Wipe dust and resin off the guide rails.",
                "Wipe them with a cloth that is lightly oiled; they must not drip, for oil binds dust.",
                "Look at the dust wipers of head and beam; note worn ones.",
                "Move head and beam over their whole way: they must run freely and evenly.",
            ),
            "operator",
            15,
            ByCalendar("FREQ=WEEKLY;BYDAY=FR", lead_days=3, grace_days=2),
        ),
        Task(
            "grease",
            "Head grease points",
            (
                "Wipe both grease points of the head clean.",
                "One shot of grease into each of the two, of the kind that the manual names.",
                "Wipe off what comes out.",
            ),
            "maintenance",
            15,
            ByCalendar("FREQ=MONTHLY;BYDAY=1TU", lead_days=3, grace_days=5),
            at_blade=True,
        ),
        Task(
            "braking",
            "Braking time within 4 s",
            (
                "Where the brake's current can be seen, Kerfbook measures this by itself and ticks it.",
                "Otherwise: run the saw without material, switch off, and time the blade to standstill with a watch, "
                "from where you can see it, door closed.",
                "Longer than 4 s, or longer than the manual says: take the saw out of use and have the brake looked "
                "at.",
            ),
            "maintenance",
            5,
            ByCalendar("FREQ=WEEKLY;BYDAY=MO", lead_days=0, grace_days=2),
            check="braking",
        ),
        Task(
            "squareness",
            "Scales, squareness, riving knife",
            (
                "Cut a test panel vertically and horizontally; compare with the scales.",
                "Measure both diagonals of a cut rectangle; note the difference.",
                "Isolated and locked off: riving knife firm, in line with the blade, and as far from it as the "
                "manual says.",
            ),
            "maintenance",
            30,
            ByCalendar("FREQ=MONTHLY;BYDAY=2WE", lead_days=3, grace_days=5),
            at_blade=True,
        ),
        Task(
            "safety-functions",
            "Extraction and emergency stop tried",
            (
                "Start the saw without material and press the emergency stop: the blade must stop and the saw must "
                "not start again by itself when it is released.",
                "The saw must not start with the blade door open.",
                "Extraction starts with the saw and draws at the hood; empty bag or bin.",
                "Anything else: take the saw out of use and tell the person responsible.",
            ),
            "maintenance",
            10,
            ByCalendar("FREQ=WEEKLY;BYDAY=WE", lead_days=1, grace_days=2),
        ),
        Task(
            "drive",
            "Belt, bearings and cables of the head",
            (
                "Belt: tension as the manual says, no cracks, no dust from wear.",
                "Turn the arbor by hand: no play, no grinding.",
                "Cables and hoses: no chafing over the whole way of the head.",
            ),
            "maintenance",
            30,
            ByUse("motor_hours", 100, within_days=3, grace_days=5),
            at_blade=True,
        ),
        Task(
            "brake-look",
            "Brake looked at",
            (
                "The braking time is above the limit: do not use the saw until it is in order.",
                "Have brake and its electronics looked at by somebody who is qualified for it.",
                "Measure three stops afterwards.",
            ),
            "maintenance",
            45,
            BySign("braking-slow", within_days=0, grace_days=2),
            at_blade=True,
        ),
    )
