"""Maintenance tasks: editing one, or adding one of the shop's own."""

from typing import Any

from flask import Response
from flask_openapi3.blueprint import APIBlueprint
from pydantic import BaseModel, Field

from api.answers.starter import OWN, unspoken
from api.answers.tasks import TaskError, from_body
from api.http.answer import live
from api.http.asked import saw_of
from api.http.fields import Strict, subject
from api.http.problems import Problem
from api.http.tending_models import TaskAnswer
from api.http.who import SIGNED_IN, Who
from api.tending import Tending
from api.tending_view import View


class TaskPath(BaseModel):
    """A task."""

    task: str = Field(pattern=r"^[a-z0-9-]{1,64}$")


class TaskBody(Strict):
    """A task as it shall be from today on."""

    who: Who = SIGNED_IN
    title: str
    steps: list[str]
    role: str
    minutes: int
    saws: list[str] = Field(default_factory=list)
    at_blade: bool = False
    check: str | None = None
    basis: str = ""
    active: bool = True
    when: dict[str, Any] = Field(description="As a task of `/maintenance` shows it: by calendar, use or sign.")


def blueprint(tending: Tending) -> APIBlueprint:
    """`/maintenance/tasks…`."""
    bp = subject("tasks")
    desk = tending.desk

    @bp.put("/maintenance/tasks/<task>", responses={200: TaskAnswer})
    def put_task(path: TaskPath, body: TaskBody) -> Response:
        """Edit a task, or make a new one; in force from today, what was due before stays as it was."""
        fields = body.model_dump()
        who = fields.pop("who").strip()
        fields["title"], fields["basis"] = unspoken(fields["title"]), unspoken(fields["basis"]) or OWN
        fields["steps"] = [unspoken(step) for step in fields["steps"]]
        try:
            task = from_body({"name": path.task, **fields})
        except TaskError as error:
            raise Problem("bad-task", str(error)) from error
        for name in task.saws:
            saw_of(desk, name)
        now = desk.now()
        tending.edit(task, who, now)
        return live(View(tending, now).task(task))

    return bp
