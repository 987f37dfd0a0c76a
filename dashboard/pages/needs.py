"""What each page needs; the API's own table is `api.door.rights.NEEDS`."""

from __future__ import annotations

from api.door.rights import Right

NEEDS: dict[str, Right] = {
    "screens.static": Right.OPEN,
    "plotly.script": Right.OPEN,
    "speech.words": Right.OPEN,
    "speech.speak": Right.OPEN,
    "security.contact": Right.OPEN,
    "door.sign_in": Right.OPEN,
    "door.enter": Right.OPEN,
    "tv.current": Right.OPEN,
    "tv.wall": Right.SEE,
    "start.start": Right.READ,
    "door.account": Right.SEE,
    "report.report": Right.READ,
    "logbook.first": Right.READ,
    "logbook.of": Right.READ,
    "setup.first": Right.READ,
    "setup.of": Right.READ,
    "saw.at_saw": Right.READ,
    "blades.at_saw": Right.READ,
    "blades.scanned": Right.READ,
    "blades.rack": Right.READ,
    "blades.blade": Right.READ,
    "labels.print_labels": Right.READ,
    "labels.svg": Right.READ,
    "labels.pdf": Right.READ,
    "refusals.refusals": Right.READ,
    "tending.maintenance": Right.READ,
    "tending.alerts": Right.READ,
    "door.people": Right.OWN,
    "door.qr": Right.OWN,
    "door.trail": Right.OWN,
}
"""A page that is missing here is closed to everybody, and a test names it."""
