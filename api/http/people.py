"""Who says something: a name and a role that come with the request. The one place that accounts will replace."""

from typing import Literal, get_args

from pydantic import Field

from api.answers.tasks import ROLES
from api.http.fields import Strict

Role = Literal["operator", "maintenance", "owner", "installer"]
assert set(ROLES) == set(get_args(Role))


class Said(Strict):
    """What everything that a person says carries."""

    who: str = Field(min_length=1, max_length=64, pattern=r"\S", description="Name of the person.")
    role: Role
    note: str = Field("", max_length=1000)
