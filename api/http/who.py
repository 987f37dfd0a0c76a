"""Who says something: a name or role sent with the request, in this one place until there are accounts."""

from __future__ import annotations

from typing import Annotated

from pydantic import StringConstraints

Who = Annotated[
    str, StringConstraints(strip_whitespace=True, min_length=1, max_length=64, pattern=r"^[^\x00-\x1f\x7f]+$")
]
"""Name or role of the person who says it."""
