"""The audit trail: who changed what and when."""

from collections.abc import Mapping
from typing import Any, Literal, get_args

from flask import Response
from flask_openapi3.blueprint import APIBlueprint
from pydantic import Field

from api.answers.audit_words import SUBJECTS, Names, acts_about, device, sentence
from api.desk import Desk
from api.door.door import Door
from api.http.answer import as_csv, live, wants_csv
from api.http.fields import Model, Moment, Strict, Time, also_csv, subject
from api.tending import Tending
from collector.facts import iso

Subject = Literal["door", "people", "blades", "maintenance", "faults", "alerts", "cuts"]
assert set(SUBJECTS) == set(get_args(Subject))


class TrailQuery(Strict):
    """A page of the trail."""

    limit: int = Field(100, ge=1, le=1000)
    before: int | None = Field(None, ge=1, lt=2**53, description="`next` of the page before.")
    who: str | None = Field(None, max_length=64)
    subject: Subject | None = Field(None, description="What it is about: coming in, people, blades …")
    about: str | None = Field(None, max_length=64, description="A person, saw, blade, task or device it speaks of.")
    from_: Moment | None = Field(None, alias="from", description="Not before that, RFC 3339.")
    to: Moment | None = Field(None, description="Before that.")
    format: Literal["json", "csv"] | None = Field(None, description="Overrides the Accept header.")


class TrailEntry(Model):
    """One change, or one attempt to come in."""

    id: int
    at: Time
    who: str
    role: str
    said: str = Field(description="A sentence: who did what to whom or what.")
    device: str = Field(description="From which browser, phone, TV or program, in words.")
    through: str = Field(description="The same as it is kept.")
    did: str = Field(description="What was asked of the server.")
    detail: str = Field(description="What was sent, without secrets.")


class TrailAnswer(Model):
    """Entries, newest first."""

    model_config = also_csv("A page.")

    entries: list[TrailEntry]
    next: int | None


def blueprint(door: Door, desk: Desk, tending: Tending) -> APIBlueprint:
    """`/audit`."""
    bp = subject("audit")

    def names() -> Names:
        people = {p.id: p.name for p in door.book.people()}
        tasks = {name: task.title for name, task in tending.tasks().items()}
        return Names(people, {name: saw.title for name, saw in desk.saws.items()}, tasks, desk.zone)

    @bp.get("/audit", responses={200: TrailAnswer})
    def audit_trail(query: TrailQuery) -> Response:
        """Who changed what and when, newest first."""
        known = names()
        found = door.book.entries(
            before=query.before,
            who=query.who,
            limit=query.limit,
            acts=acts_about(query.subject) if query.subject else (),
            about=_texts(query.about.strip(), known) if query.about and query.about.strip() else (),
            from_us=query.from_,
            to_us=query.to,
        )
        rows = [
            {"id": e.id, "at": iso(e.at_us), "who": e.who, "role": e.role, "said": sentence(e, known),
             "device": device(e.through), "through": e.through, "did": e.did, "detail": e.detail}
            for e in found
        ]  # fmt: skip
        if wants_csv(query.format):
            return as_csv("audit", list(TrailEntry.model_fields), rows)
        return live({"entries": rows, "next": found[-1].id if len(found) == query.limit else None})

    return bp


def _texts(about: str, names: Names) -> list[str]:
    """What to look for: the text itself, and the numbers and names under which the book keeps what is called so."""
    wanted = about.casefold()

    def called(titles: Mapping[Any, str]) -> list[Any]:
        return [key for key, title in titles.items() if wanted in title.casefold()]

    return [
        about,
        *(text for n in called(names.people) for text in (f'"person":{n},', f'"person":{n}}}', f"/people/{n}")),
        *(text for saw in called(names.saws) for text in (f'"saw":"{saw}"', f"/saws/{saw}/")),
        *(text for task in called(names.tasks) for text in (f'"task":"{task}"', f"/tasks/{task}")),
    ]
