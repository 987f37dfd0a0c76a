"""Maintenance tasks to begin with, for a vertical panel saw: own words, common practice, every interval editable.

None of the intervals has a source. The machine's own manual comes first: whoever sets Kerfbook up compares each
task with it and edits what differs.
"""

from __future__ import annotations

from functools import lru_cache

from api.answers.tasks import COMMON, ByCalendar, BySign, ByUse, Task
from api.tongues.catalogue import languages, translations
from api.tongues.say import later

OWN = later("set by this shop")
"""Where an interval comes from of which the shop says nothing."""

_WORKDAYS = "FREQ=DAILY"


def starter_tasks() -> tuple[Task, ...]:
    """The starter set."""
    return (
        Task(
            "clean-down",
            later("Clean down, offcuts out"),
            (
                later("Switch off and wait for standstill."),
                later("Take the offcuts out from behind the support grid."),
                later("Brush and vacuum rails, beam, head and floor; no compressed air: it drives dust into bearings."),
                later("Look whether the extraction hose is clear."),
            ),
            "operator",
            10,
            ByCalendar(_WORKDAYS, off="skip", if_used=True),
        ),
        Task(
            "rails",
            later("Guide rails wiped with oil"),
            (
                later("Wipe dust and resin off the guide rails."),
                later("Wipe them with a cloth that is lightly oiled; they must not drip, for oil binds dust."),
                later("Look at the dust wipers of head and beam; note worn ones."),
                later("Move head and beam over their whole way: they must run freely and evenly."),
            ),
            "operator",
            15,
            ByCalendar("FREQ=WEEKLY;BYDAY=FR", lead_days=3, grace_days=2),
        ),
        Task(
            "grease",
            later("Head grease points"),
            (
                later("Wipe both grease points of the head clean."),
                later("One shot of grease into each of the two, of the kind that the manual names."),
                later("Wipe off what comes out."),
            ),
            "maintenance",
            15,
            ByCalendar("FREQ=MONTHLY;BYDAY=1TU", lead_days=3, grace_days=5),
            at_blade=True,
        ),
        Task(
            "braking",
            later("Braking time within 4 s"),
            (
                later("Where the brake's current can be seen, Kerfbook measures this by itself and ticks it."),
                later(
                    "Otherwise: run the saw without material, switch off, and time the blade to standstill with a "
                    "watch, from where you can see it, door closed."
                ),
                later(
                    "Longer than 4 s, or longer than the manual says: take the saw out of use and have the brake "
                    "looked at."
                ),
            ),
            "maintenance",
            5,
            ByCalendar("FREQ=WEEKLY;BYDAY=MO", lead_days=0, grace_days=2),
            check="braking",
        ),
        Task(
            "squareness",
            later("Scales, squareness, riving knife"),
            (
                later("Cut a test panel vertically and horizontally; compare with the scales."),
                later("Measure both diagonals of a cut rectangle; note the difference."),
                later(
                    "Isolated and locked off: riving knife firm, in line with the blade, and as far from it as the "
                    "manual says."
                ),
            ),
            "maintenance",
            30,
            ByCalendar("FREQ=MONTHLY;BYDAY=2WE", lead_days=3, grace_days=5),
            at_blade=True,
        ),
        Task(
            "safety-functions",
            later("Extraction and emergency stop tried"),
            (
                later(
                    "Start the saw without material and press the emergency stop: the blade must stop and the saw must "
                    "not start again by itself when it is released."
                ),
                later("The saw must not start with the blade door open."),
                later("Extraction starts with the saw and draws at the hood; empty bag or bin."),
                later("Anything else: take the saw out of use and tell the person responsible."),
            ),
            "maintenance",
            10,
            ByCalendar("FREQ=WEEKLY;BYDAY=WE", lead_days=1, grace_days=2),
        ),
        Task(
            "drive",
            later("Belt, bearings and cables of the head"),
            (
                later("Belt: tension as the manual says, no cracks, no dust from wear."),
                later("Turn the arbor by hand: no play, no grinding."),
                later("Cables and hoses: no chafing over the whole way of the head."),
            ),
            "maintenance",
            30,
            ByUse("motor_hours", 100, within_days=3, grace_days=5),
            at_blade=True,
        ),
        Task(
            "brake-look",
            later("Brake looked at"),
            (
                later("The braking time is above the limit: do not use the saw until it is in order."),
                later("Have brake and its electronics looked at by somebody who is qualified for it."),
                later("Measure three stops afterwards."),
            ),
            "maintenance",
            45,
            BySign("braking-slow", within_days=0, grace_days=2),
            at_blade=True,
        ),
    )


def unspoken(text: str) -> str:
    """A text of ours that comes back in one of the languages, as it stands in the code; any other as it is.

    A form shows a task in the reader's language and sends it back whole. What the reader did not change stays ours, so
    that the next reader sees it in theirs.
    """
    return _spoken().get(text.strip(), text)


@lru_cache(maxsize=1)
def _spoken() -> dict[str, str]:
    tasks = starter_tasks()
    ours = {COMMON, OWN, *(t.title for t in tasks), *(step for t in tasks for step in t.steps)}
    return {translations(language).gettext(text): text for text in ours for language in languages()}
