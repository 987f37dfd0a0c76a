"""What everything that a person says carries: who, in which role, and a note."""

from typing import Annotated, Literal, get_args

from pydantic import Field

from api.answers.tasks import ROLES
from api.http.fields import Strict
from api.http.who import SIGNED_IN, RoleOf, Who

Role = Literal["operator", "maintenance", "owner", "installer"]
assert set(ROLES) == set(get_args(Role))


class Said(Strict):
    """What everything that a person says carries."""

    who: Who = SIGNED_IN
    role: Annotated[Role, RoleOf] = SIGNED_IN
    note: str = Field("", max_length=1000)
