"""The audit trail in sentences that a shop's owner understands. Pure.

An entry says what was asked of the server (``POST /api/v1/people``) and what was sent with it. Here stands, for each
such act, what it means: who did what to whom or what.
"""

from __future__ import annotations

import datetime as dt
import re
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

from api.answers.alert_kinds import KINDS
from api.answers.faults import WHATS
from api.tongues.amounts import clock, day
from api.tongues.say import gettext, known, later
from collector.book.audit import unpacked

if TYPE_CHECKING:
    from collections.abc import Callable, Mapping
    from zoneinfo import ZoneInfo

    from collector.book.audit import Entry

_API = "/api/v1"

SUBJECTS = {
    "door": later("coming in"),
    "people": later("people and devices"),
    "blades": later("blades"),
    "maintenance": later("maintenance"),
    "faults": later("faults"),
    "alerts": later("alerts"),
    "cuts": later("cuts and settings"),
}
"""What acts are about, as filters name it."""

ROLES = {
    "viewer": later("viewer"),
    "operator": later("operator"),
    "maintenance": later("maintenance lead"),
    "installer": later("installer"),
    "owner": later("owner"),
}
RIGHTS = {
    "see": later("see the wall"),
    "read": later("read all"),
    "say": later("say what was done"),
    "tend": later("look after blades and tasks"),
    "install": later("set up saws"),
}


@dataclass(frozen=True, slots=True)
class Names:
    """What numbers and names of the book stand for: people by number, saws and tasks by name, and the site's zone."""

    people: Mapping[int, str]
    saws: Mapping[str, str]
    tasks: Mapping[str, str]
    zone: ZoneInfo


class Said:
    """An entry with what its act's address holds and what was sent, each in words."""

    def __init__(self, entry: Entry, names: Names, place: Mapping[str, str]) -> None:
        self.entry, self.names = entry, names
        self.sent: dict[str, Any] = unpacked(entry.detail) | dict(place)

    @property
    def who(self) -> str:
        """Who did it."""
        name = {"unknown": gettext("Somebody unknown"), "visitor": gettext("A visitor")}.get(self.entry.who)
        return name or self.entry.who

    def text(self, key: str) -> str:
        """What was sent under that name."""
        return str(self.sent.get(key, "?"))

    @property
    def person(self) -> str:
        """Whom it is about."""
        number = self.sent.get("person")
        if number is None:
            return gettext("somebody")
        found = self.names.people.get(int(number)) if str(number).isdecimal() else None
        return found or gettext("person {number}", number=number)

    @property
    def saw(self) -> str:
        """Which saw it is about."""
        return self.names.saws.get(self.text("saw"), self.text("saw"))

    @property
    def task(self) -> str:
        """Which task it is about."""
        return known(self.names.tasks.get(self.text("task"), self.text("task")))

    def role(self) -> str:
        """The role that was sent."""
        return gettext(ROLES.get(self.text("role"), self.text("role")))

    def time(self, key: str) -> str:
        """A time that was sent."""
        try:
            at = dt.datetime.fromisoformat(self.text(key)).astimezone(self.names.zone)
        except ValueError:
            return self.text(key)
        return f"{day(at)} {clock(at)}"

    def date(self, key: str) -> str:
        """A date that was sent, or whatever names an occurrence that is none."""
        try:
            return day(dt.date.fromisoformat(self.text(key)))
        except ValueError:
            return self.text(key)


@dataclass(frozen=True, slots=True)
class Act:
    """What an act means: its address, what it is about, and its sentence."""

    did: str
    about: str
    words: Callable[[Said], str]

    @property
    def like(self) -> str:
        """Pattern of SQL's LIKE that finds it."""
        return re.sub(r"\{\w+\}", "%", self.did)


def sentence(entry: Entry, names: Names) -> str:
    """Who did what, to whom or what."""
    for pattern, act in _PATTERNS:
        found = pattern.fullmatch(entry.did)
        if found:
            return act.words(Said(entry, names, found.groupdict()))
    return gettext("{who} changed something: {act}", who=Said(entry, names, {}).who, act=entry.did)


def acts_about(about: str) -> list[str]:
    """Patterns of SQL's LIKE for all acts about a subject of `SUBJECTS`."""
    return [act.like for act in ACTS if act.about == about]


_PLACES = {"command line": later("command line"), "on this computer": later("on this computer")}
_DEVICE = re.compile(
    r"(session|phone|post|tv|link|token|shared phone|address)(?: ([\d.:a-f]+?))?(?:: (.*))?", re.DOTALL
)


def device(through: str) -> str:
    """From where it came: ``phone 7: Rui's`` in words."""
    found = _DEVICE.fullmatch(through)
    if found is None:
        return gettext(_PLACES.get(through, through))
    kind, number, title = found.groups()
    inner = re.fullmatch(r"shared phone \d+: (.*)", title or "")
    if kind == "session" and inner:
        return gettext("shared phone “{title}”", title=inner[1])
    if kind == "session":
        return gettext("browser at {address}", address=title) if title else gettext("browser, session {n}", n=number)
    if kind == "address":
        return gettext("browser at {address}", address=number)
    words = {
        "phone": later("own phone “{title}”"),
        "post": later("shared phone “{title}”"),
        "shared phone": later("shared phone “{title}”"),
        "tv": later("TV “{title}”"),
        "link": later("TV “{title}”"),
        "token": later("program “{title}”"),
    }
    return gettext(words[kind], title=title or number)


def _coming_in() -> list[Act]:
    def simple(did: str, words: str) -> Act:
        return Act(did, "door", lambda s: gettext(words, who=s.who))

    def refused(did: str, words: str) -> Act:
        unknown = later("Somebody tried to sign in under a name that nobody has.")
        return Act(did, "door", lambda s: gettext(unknown) if s.entry.who == "unknown" else gettext(words, who=s.who))

    return [
        simple("signed in", later("{who} signed in.")),
        simple("signed out", later("{who} signed out.")),
        simple("opened", later("The wall was opened on a TV by the link “{who}”.")),
        Act("paired", "door", _paired),
        simple("chose a password", later("{who} chose a new password.")),
        simple("became the first owner", later("{who} became the first owner.")),
        refused("was refused: password", later("Somebody gave a wrong password for {who}, and was refused.")),
        refused("was refused: PIN", later("Somebody gave a wrong PIN for {who}, and was refused.")),
        refused("was refused: old password", later("{who} gave a wrong password when a new one was to be set.")),
    ]


def _paired(s: Said) -> str:
    if s.entry.role == "viewer":
        return gettext("A phone that several people share was paired: “{title}”.", title=s.entry.who)
    return gettext("{who} paired an own phone: “{title}”.", who=s.who, title=s.entry.detail)


def _about_people() -> list[Act]:
    def act(did: str, words: Callable[[Said], str]) -> Act:
        return Act(did, "people", words)

    def about(text: str) -> Callable[[Said], str]:
        return lambda s: gettext(text, who=s.who, person=s.person, role=s.role())

    account = about(later("{who} gave {person} an account: {role}."))
    password, pin = later("{who} set a new password for {person}."), later("{who} set a new PIN for {person}.")
    role, erased = later("{who} made {person} {role}."), later("{who} erased a person, who is “{person}” from now on.")
    out, back = later("{who} shut {person} out."), later("{who} let {person} in again.")

    def changed(s: Said) -> str:
        active = s.sent.get("active")
        parts = [
            *([later("{who} changed the name of {person}.")] if "name" in s.sent else []),
            *([role] if "role" in s.sent else []),
            *([password] if "password" in s.sent else []),
            *([pin] if "pin" in s.sent else []),
            *([] if active is None else [back if active else out]),
        ]
        return " ".join(about(part)(s) for part in parts or [later("{who} changed the account of {person}.")])

    def own(s: Said) -> str:
        parts = [
            *([later("{who} set an own new password.")] if "password" in s.sent else []),
            *([later("{who} set an own new PIN.")] if "pin" in s.sent else []),
        ]
        return " ".join(about(part)(s) for part in parts or [later("{who} changed the own account.")])

    return [
        act(f"POST {_API}/people", account),
        act(f"PATCH {_API}/people/{{person}}", changed),
        act(f"DELETE {_API}/people/{{person}}", about(erased)),
        act(f"POST {_API}/badges", _handed_out),
        act(f"DELETE {_API}/badges/{{badge}}", _ended),
        act(f"DELETE {_API}/me/badges/{{badge}}", _ended),
        act(f"PUT {_API}/me/secrets", own),
        act("people add", account),
        act("people password", about(password)),
        act("people pin", about(pin)),
        act("people role", about(role)),
        act("people out", about(out)),
        act("people in", about(back)),
        act("people erase", about(erased)),
        act("people token", _handed_out),
        act("people link", _handed_out),
    ]


def _handed_out(s: Said) -> str:
    words = {
        "phone": later("{who} made a QR code by which {person} pairs an own phone: “{title}”."),
        "post": later("{who} made a QR code for a phone that several people share: “{title}”."),
        "link": later("{who} made a link for a TV: “{title}”."),
        "token": later("{who} let a program in: “{title}”. It may: {rights}."),
        "renewal": later("{who} gave {person} a code for choosing a new password."),
    }
    given = [str(right) for right in s.sent["rights"]] if isinstance(s.sent.get("rights"), list) else []
    rights = ", ".join(gettext(RIGHTS.get(right, right)) for right in given)
    text = words.get(s.text("kind"), later("{who} let something in: “{title}”."))
    return gettext(text, who=s.who, person=s.person, title=s.text("title"), rights=rights)


def _ended(s: Said) -> str:
    words = {
        "session": later("{who} ended a session of {person}, in a browser at {title}."),
        "phone": later("{who} ended the phone “{title}” of {person}."),
        "post": later("{who} ended the shared phone “{title}”."),
        "link": later("{who} ended a TV's link: “{title}”."),
        "tv": later("{who} ended an open TV: “{title}”."),
        "token": later("{who} ended the program “{title}”."),
        "invitation": later("{who} took back the QR code for a phone: “{title}”."),
        "renewal": later("{who} took back the code by which {person} could choose a new password."),
    }
    text = words.get(s.text("kind"), later("{who} ended what let somebody in, number {badge}."))
    return gettext(text, who=s.who, person=s.person, title=s.text("title"), badge=s.text("badge"))


def _about_blades() -> list[Act]:
    def about(text: str) -> Callable[[Said], str]:
        return lambda s: gettext(text, who=s.who, tag=s.text("tag"))

    return [
        Act(f"POST {_API}/blades", "blades", about(later("{who} entered the blade {tag}."))),
        Act(f"PUT {_API}/blades/{{tag}}", "blades", about(later("{who} described the blade {tag} anew."))),
        Act(f"DELETE {_API}/blades/{{tag}}", "blades", about(later("{who} took the blade {tag} off the list."))),
        Act(f"POST {_API}/blades/{{tag}}/events", "blades", _station),
        Act(f"POST {_API}/saws/{{saw}}/blade/said", "blades", _change),
    ]


def _station(s: Said) -> str:
    words = {
        "racked": later("{who} found the blade {tag} in the rack."),
        "to_sharpen": later("{who} put the blade {tag} aside to be sharpened."),
        "sent": later("{who} sent the blade {tag} to the sharpener."),
        "returned": later("{who} said that the blade {tag} came back sharp."),
        "scrapped": later("{who} scrapped the blade {tag}."),
        "withdrawn": later("{who} took back an entry about the blade {tag}."),
    }
    text = words.get(s.text("kind"), later("{who} said something about the blade {tag}."))
    return _correcting(s, gettext(text, who=s.who, tag=s.text("tag")))


def _change(s: Said) -> str:
    kind, tag = s.text("kind"), s.sent.get("tag")
    words = {
        "change": later("{who} said that the blade {tag} went onto {saw} on {time}.")
        if tag
        else later("{who} said that a blade that nobody named went onto {saw} on {time}."),
        "cleaned": later("{who} said that {saw} was only cleaned on {time}."),
        "withdrawn": later("{who} took back an entry about the blade of {saw}."),
    }.get(kind, later("{who} said something about the blade of {saw}."))
    said = gettext(words, who=s.who, tag=tag, saw=s.saw, time=s.time("at"))
    fate = {
        "sharpen": later("The one that came out is to be sharpened."),
        "keep": later("The one that came out went back into the rack."),
        "scrap": later("The one that came out was scrapped."),
    }.get(s.text("fate"))
    return _correcting(s, f"{said} {gettext(fate)}" if fate else said)


def _correcting(s: Said, said: str) -> str:
    corrects = "corrects" in s.sent and s.text("kind") != "withdrawn"
    return " ".join([said, *([gettext("It corrects an earlier entry.")] if corrects else [])])


def _about_maintenance() -> list[Act]:
    def about(text: str) -> Callable[[Said], str]:
        return lambda s: gettext(text, who=s.who, task=s.task, saw=s.saw, day=s.date("occurrence"), role=s.role())

    corrected = about(later("{who} corrected the tick of “{task}” on {saw}, due {day}."))
    withdrawn = about(later("{who} took back the tick of “{task}” on {saw}, due {day}."))
    off, on = later("{who} switched the task “{task}” off."), later("{who} wrote the task “{task}”.")

    def wrote(s: Said) -> str:
        task = known(s.text("title")) if "title" in s.sent else s.task
        return gettext(off if s.sent.get("active") is False else on, who=s.who, task=task)

    return [
        Act(
            f"POST {_API}/maintenance/ticks",
            "maintenance",
            about(later("{who} said that “{task}” is done on {saw}, due {day}.")),
        ),
        Act(
            f"POST {_API}/maintenance/ticks/{{tick}}/corrections",
            "maintenance",
            lambda s: withdrawn(s) if s.sent.get("withdrawn") is True else corrected(s),
        ),
        Act(f"PUT {_API}/maintenance/tasks/{{task}}", "maintenance", wrote),
        Act(
            f"POST {_API}/feeds/{{role}}/renewal",
            "maintenance",
            about(later("{who} made a new calendar address; the old one no longer works. For: {role}.")),
        ),
    ]


def _about_faults() -> list[Act]:
    def about(text: str) -> Callable[[Said], str]:
        return lambda s: gettext(text, who=s.who, saw=s.saw, what=gettext(WHATS.get(s.text("what"), s.text("what"))))

    return [
        Act(f"POST {_API}/saws/{{saw}}/faults", "faults", about(later("{who} reported a fault at {saw}: {what}."))),
        Act(
            f"POST {_API}/faults/{{fault}}/closing",
            "faults",
            about(later("{who} said that a fault at {saw} is dealt with: {what}.")),
        ),
    ]


def _about_alerts() -> list[Act]:
    def about(text: str) -> Callable[[Said], str]:
        def words(s: Said) -> str:
            kind = KINDS.get(s.text("alert"))
            alert = kind.heading if kind else gettext("number {n}", n=s.text("number"))
            return gettext(
                text, who=s.who, alert=f"{s.saw}: {alert}" if "saw" in s.sent else alert, until=s.time("until")
            )

        return words

    one = f"{_API}/alerts/{{number}}"
    return [
        Act(f"POST {one}/acknowledgement", "alerts", about(later("{who} acknowledged the alert “{alert}”."))),
        Act(f"PUT {one}/shelf", "alerts", about(later("{who} shelved the alert “{alert}” until {until}."))),
        Act(f"POST {one}/unshelving", "alerts", about(later("{who} took the alert “{alert}” off the shelf."))),
    ]


def _about_cuts() -> list[Act]:
    def about(text: str) -> Callable[[Said], str]:
        return lambda s: gettext(text, who=s.who, saw=s.saw, time=s.time("start"))

    none = about(later("{who} marked that what was found at {saw} on {time} is no cut."))
    missed = about(later("{who} drew a cut that was missed at {saw} on {time}."))
    return [
        Act(
            f"POST {_API}/saws/{{saw}}/marks",
            "cuts",
            lambda s: missed(s) if s.text("kind") == "missed_cut" else none(s),
        ),
        Act(
            f"DELETE {_API}/saws/{{saw}}/marks/{{mark}}",
            "cuts",
            about(later("{who} took back a mark about a cut at {saw} on {time}.")),
        ),
        Act(
            f"POST {_API}/saws/{{saw}}/settings",
            "cuts",
            about(later("{who} kept new settings for finding the cuts of {saw}.")),
        ),
    ]


ACTS = [
    *_coming_in(),
    *_about_people(),
    *_about_blades(),
    *_about_maintenance(),
    *_about_faults(),
    *_about_alerts(),
    *_about_cuts(),
]
"""Every act there is (a test looks for others)."""

_PATTERNS = [(re.compile(re.sub(r"\{(\w+)\}", r"(?P<\1>[^/]+)", act.did)), act) for act in ACTS]
