"""Rights, the roles that have them, and what every address of the API needs."""

from __future__ import annotations

from enum import StrEnum


class Right(StrEnum):
    """What somebody may do. An address needs exactly one."""

    OPEN = "open"
    """Nothing: strangers, too. Only what says nothing of the shop, or checks a secret of its own."""
    SEE = "see"
    """The wall: what the saws do and how they are used. Nothing about people."""
    READ = "read"
    """Everything else that can be read, with the names of those who said it."""
    SAY = "say"
    """Blade changes, ticks, marks, acknowledging an alert."""
    TEND = "tend"
    """Blades, tasks, shelving of alerts, calendar addresses."""
    INSTALL = "install"
    """Settings of detectors."""
    OWN = "own"
    """People, devices, tokens, the audit trail."""


_SAID = frozenset({Right.OPEN, Right.SEE, Right.READ, Right.SAY})

ROLES: dict[str, frozenset[Right]] = {
    "viewer": frozenset({Right.OPEN, Right.SEE}),
    "operator": _SAID,
    "maintenance": _SAID | {Right.TEND},
    "installer": _SAID | {Right.INSTALL},
    "owner": frozenset(Right),
}
"""Rights of each role."""

STRANGER = frozenset({Right.OPEN})

GRANTABLE = (Right.SEE, Right.READ, Right.SAY, Right.TEND, Right.INSTALL)
"""What the token of a program can have: letting people in takes a person."""

NEEDS: dict[str, Right] = {
    # How strangers become known; each checks a secret and counts failures.
    "api_signing.me": Right.OPEN,
    "api_signing.sign_in": Right.OPEN,
    "api_signing.sign_in_with_pin": Right.OPEN,
    "api_signing.sign_out": Right.OPEN,
    "api_signing.first_owner": Right.OPEN,
    "api_signing.show_badge": Right.OPEN,
    "api_signing.choose_password": Right.OPEN,
    "api_own.own_secrets": Right.SEE,
    "api_own.own_badges": Right.SEE,
    "api_own.end_own_badge": Right.SEE,
    # Says nothing of the shop.
    "api_health.health": Right.OPEN,
    "metrics": Right.SEE,
    "api_problems.problem_kind": Right.OPEN,
    "openapi": Right.OPEN,
    # Its address holds a secret of its own: calendar programs cannot sign in.
    "api_feeds.feed_calendar": Right.OPEN,
    # The wall.
    "api_wall.wall": Right.SEE,
    "api_stream.stream": Right.SEE,
    "api_saws.saws": Right.SEE,
    "api_saws.saw": Right.SEE,
    "api_saws.states": Right.SEE,
    "api_utilisation.utilisation_of": Right.SEE,
    # Everything else that can be read.
    "api_cuts.cuts": Right.READ,
    "api_runs.runs": Right.READ,
    "api_facts.facts": Right.READ,
    "api_trace.trace": Right.READ,
    "api_marks.marks_of": Right.READ,
    "api_marks.score_of": Right.READ,
    "api_calibration.calibration_of": Right.READ,
    "api_calibration.settings_of": Right.READ,
    "api_refusals.refusals": Right.READ,
    "api_blades.blades": Right.READ,
    "api_blades.blade": Right.READ,
    "api_blade_wear.wear": Right.READ,
    "api_blade_books.costs": Right.READ,
    "api_blade_books.ledger": Right.READ,
    "api_saw_blade.saw_blade": Right.READ,
    "api_saw_blade.shares_of": Right.READ,
    "api_maintenance.maintenance": Right.READ,
    "api_maintenance.maintenance_occurrences": Right.READ,
    "api_maintenance.maintenance_year": Right.READ,
    "api_ticks.ticks": Right.READ,
    "api_feeds.feeds": Right.READ,
    "api_alerts.alerts": Right.READ,
    "api_alerts.alert": Right.READ,
    "api_faults.list_faults": Right.READ,
    "api_at_hand.at_hand": Right.READ,
    "api_report.report": Right.READ,
    # What people say.
    "api_marks.say_mark": Right.SAY,
    "api_faults.report_fault": Right.SAY,
    "api_faults.close_fault": Right.TEND,
    "api_marks.take_back": Right.SAY,
    "api_saw_blade.say_change": Right.SAY,
    "api_ticks.tick": Right.SAY,
    "api_ticks.tick_correction": Right.SAY,
    "api_alerts.alert_acknowledgement": Right.SAY,
    # Looking after the saws.
    "api_blade_said.enter": Right.TEND,
    "api_blade_said.describe": Right.TEND,
    "api_blade_said.remove": Right.TEND,
    "api_blade_said.event": Right.TEND,
    "api_tasks.put_task": Right.TEND,
    "api_feeds.feed_renewal": Right.TEND,
    "api_alerts.alert_shelf": Right.TEND,
    "api_alerts.alert_unshelving": Right.TEND,
    "api_calibration.keep": Right.INSTALL,
    # Letting people in.
    "api_people.people": Right.OWN,
    "api_people.add_person": Right.OWN,
    "api_people.change_person": Right.OWN,
    "api_people.erase_person": Right.OWN,
    "api_badges.badges": Right.OWN,
    "api_badges.make_badge": Right.OWN,
    "api_badges.end_badge": Right.OWN,
    "api_audit.audit_trail": Right.OWN,
}
"""What each endpoint of the API needs. An endpoint that is missing here is closed to everybody, and a test names it."""
