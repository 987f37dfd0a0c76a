"""Schemathesis over the whole API as each role: short in the suite, long as ``python -m tests.door.roles 200``."""

from __future__ import annotations

import json
import sys
import tempfile
from pathlib import Path
from typing import TYPE_CHECKING, Any

import schemathesis
from hypothesis import HealthCheck, Phase, given, settings
from hypothesis.errors import Unsatisfiable
from schemathesis import GenerationMode
from schemathesis.checks import not_a_server_error
from schemathesis.specs.openapi.checks import response_schema_conformance

from api.app import close_api
from api.door.rights import ROLES, Right
from api.http.gate import gate_of
from tests.api.conftest import Shop
from tests.door.conftest import House
from tests.door.test_who_may_what import FILL

if TYPE_CHECKING:
    from collections.abc import Callable, Iterator

ENDS_ITSELF = {"/api/v1/stream", "/api/v1/sign-out", "/api/v1/me/badges/{badge}"}
"""The stream never ends; the others would end the session that asks."""


def probe_as(house: House, role: str, examples: int) -> Iterator[tuple[str, str, int]]:
    """Asks every operation as one role, with what its description allows and with what it does not.

    Yields:
        Method, path and how many answers were looked at: none was a server's error, each open one is as described,
        and each is closed exactly if the role has no right to it.
    """
    needs, adapter = gate_of(house.app).needs, house.app.url_map.bind("localhost")
    if house.door.book.named("Probe") is None:
        house.door.book.add_person("Probe", role, house.shop.clock.now)
    opened = house.door._open("session", house.door.book.named("Probe"), "a test", "signed in", 2**60, 2**60)
    keys = {"headers": {"Origin": "http://localhost"}, "cookies": {"kerfbook": house.door.cookie(opened.secret)}}
    schema = schemathesis.openapi.from_wsgi("/api/v1/openapi.json", house.app)
    for found in schema.get_all_operations():
        operation = found.ok()
        if operation.path in ENDS_ITSELF:
            continue
        looked = []

        def ask(case: Any, looked: list[int] = looked) -> Any:
            answer = case.call(**keys)
            looked.append(answer.status_code)
            case.validate_response(answer, checks=[not_a_server_error])
            return answer

        def ask_well(case: Any, operation: Any = operation, ask: Callable[[Any], Any] = ask) -> None:
            case.path_parameters = {name: FILL.get(name, 2) for name in case.path_parameters}
            answer = ask(case)
            endpoint, _ = adapter.match(case.formatted_path, method=operation.method.upper())
            need = needs[endpoint]
            shut = answer.status_code == 403 and json.loads(answer.content)["type"].endswith("/not-allowed")
            assert shut == (need is not Right.OPEN and need not in ROLES[role]), (role, need)
            if not shut:
                case.validate_response(answer, checks=[response_schema_conformance])

        _generate(operation, GenerationMode.POSITIVE, examples, ask_well)
        _generate(operation, GenerationMode.NEGATIVE, examples, ask)
        yield operation.method.upper(), operation.path, len(looked)


def _generate(operation: Any, mode: GenerationMode, examples: int, look: Callable[[Any], Any]) -> None:
    @given(case=operation.as_strategy(generation_mode=mode))
    @settings(
        max_examples=examples,
        deadline=None,
        database=None,
        derandomize=True,
        phases=[Phase.generate],
        suppress_health_check=list(HealthCheck),
    )
    def probe(case):
        look(case)

    try:
        probe()
    except Unsatisfiable:  # nothing about this address can be got wrong
        assert mode is GenerationMode.NEGATIVE


def main(examples: int) -> None:
    """Every role, a table of what was asked."""
    for role in ROLES:
        with tempfile.TemporaryDirectory() as folder:
            shop = Shop(Path(folder))
            house = House(shop)
            house.owner()
            asked = [count for _, _, count in probe_as(house, role, examples)]
            print(f"{role:<12} {len(asked):>4} operations {sum(asked):>7} answers, all as described")
            close_api(house.app)
            shop.book.close()
            shop.trace.close()


if __name__ == "__main__":
    main(int(sys.argv[1]) if len(sys.argv) > 1 else 100)
