"""People: who has an account, in which role, and erasing somebody."""

from typing import Literal

from flask import Response
from flask_openapi3.blueprint import APIBlueprint
from flask_openapi3.types import ResponseDict  # noqa: TC002 (as in fields)
from pydantic import BaseModel, Field

from api.door.door import Door
from api.door.erase import columns, erase
from api.http.answer import live
from api.http.fields import Model, Strict, Time, problem, subject
from api.http.problems import Problem
from api.http.signing import Name, Secret, new_secrets
from api.tongues.say import gettext, reason
from collector.book.entries import BookError
from collector.book.people import LastOwnerError, NameTakenError
from collector.book.person import Person
from collector.facts import iso

AnyRole = Literal["viewer", "operator", "maintenance", "installer", "owner"]


class PersonPath(BaseModel):
    """A person."""

    person: int = Field(ge=1, lt=2**31)


class PersonBody(Strict):
    """Somebody who gets an account; without password and PIN they come in by a paired phone alone."""

    name: Name
    role: AnyRole
    password: Secret | None = None
    pin: Secret | None = None


class PersonChange(Strict):
    """What is to be different; all that is left out stays."""

    name: Name | None = None
    role: AnyRole | None = None
    password: Secret | None = None
    pin: Secret | None = None
    active: bool | None = Field(None, description="False: shut out, and all sessions and phones end.")


class PersonAnswer(Model):
    """Somebody with an account."""

    id: int
    name: str
    role: str
    active: bool
    has_password: bool
    has_pin: bool
    made: Time
    erased: Time | None


class ErasedAnswer(PersonAnswer):
    """Somebody who was erased."""

    mentions: int = Field(description="Notes in which people wrote the name themselves; they were left as they are.")


class PeopleAnswer(Model):
    """Everybody."""

    people: list[PersonAnswer]


def _answer(who: Person) -> dict[str, object]:
    return {
        "id": who.id,
        "name": who.name,
        "role": who.role,
        "active": who.active,
        "has_password": who.password is not None,
        "has_pin": who.pin is not None,
        "made": iso(who.made_us),
        "erased": None if who.erased_us is None else iso(who.erased_us),
    }


def blueprint(door: Door) -> APIBlueprint:  # noqa: C901 (a list of addresses)
    """`/people…`."""
    bp = subject("people")
    clash: ResponseDict = {"409": problem("The name is taken, or no owner would be left.")}

    def somebody(number: int) -> Person:
        found = door.book.person(number)
        if found is None or found.erased_us is not None:
            raise Problem("not-found", gettext("There is no person {number}.", number=number))
        return found

    @bp.get("/people", responses={200: PeopleAnswer})
    def people() -> Response:
        """Everybody who has an account; of those erased only the number that stands for them."""
        return live({"people": [_answer(p) for p in door.book.people()]})

    @bp.post("/people", responses={"201": PersonAnswer, **clash})
    def add_person(body: PersonBody) -> Response:
        """Give somebody an account."""
        kept = new_secrets(body.name, body.password, body.pin)
        try:
            made = door.book.add_person(body.name, body.role, door.now(), **kept)
        except NameTakenError as error:
            raise Problem("not-possible", f"{reason(error)}.") from error
        answer = live(_answer(made))
        answer.status_code = 201
        return answer

    @bp.patch("/people/<person>", responses={"200": PersonAnswer, **clash})
    def change_person(path: PersonPath, body: PersonChange) -> Response:
        """Change a name or role, set a new password or PIN, shut somebody out or let them in again."""
        who = somebody(path.person)
        fields = body.model_dump(include={"name", "role", "active"}, exclude_none=True)
        fields |= new_secrets(body.name or who.name, body.password, body.pin)
        if not fields:
            raise Problem("bad-parameter", gettext("Say what is to be different."))
        try:
            door.book.change_person(who.id, door.now(), columns=columns(), **fields)
        except (NameTakenError, LastOwnerError) as error:
            raise Problem("not-possible", f"{reason(error)}.") from error
        return live(_answer(somebody(who.id)))

    @bp.delete("/people/<person>", responses={"200": ErasedAnswer, **clash})
    def erase_person(path: PersonPath) -> Response:
        """Erase somebody: a number stands in place of the name wherever the book said it; all badges end."""
        who = somebody(path.person)
        try:
            erased = erase(door.book, who.id, door.now())
        except LastOwnerError as error:
            raise Problem("not-possible", f"{reason(error)}.") from error
        except BookError as error:
            raise Problem("not-found", f"{reason(error)}.") from error
        gone = door.book.person(who.id)
        assert gone is not None
        return live(_answer(gone) | {"mentions": erased.mentions})

    return bp
