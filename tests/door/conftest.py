from __future__ import annotations

import pytest

from api.door import secrets
from api.http.gate import gate_of
from dashboard.app import create_app
from tests.api.conftest import blank_book, empty_shop  # noqa: F401 (fixtures)

PASSWORD = "three dusty sparrows"
ORIGIN = {"Origin": "http://localhost"}


class House:
    """The whole application, to which nobody has a key yet."""

    def __init__(self, shop) -> None:
        self.shop = shop
        shop.app = self.app = create_app(shop.site, shop.url, shop.trace, "mqtt://here", clock=shop.clock)
        self.door = gate_of(self.app).door

    def client(self, **options):
        client = self.app.test_client(**options)
        client.environ_base["HTTP_ORIGIN"] = "http://localhost"  # as a browser on a page of ours
        return client

    def owner(self, name: str = "Ana"):
        """A browser in which an owner has signed in, the first way there is."""
        client = self.client()
        code = self.door.new_first_code()
        answer = client.post("/api/v1/first-owner", json={"code": code, "name": name, "password": PASSWORD})
        assert answer.status_code == 200, answer.json
        return client

    def person(self, owner, name: str, role: str, **secrets):
        answer = owner.post("/api/v1/people", json={"name": name, "role": role, **secrets})
        assert answer.status_code == 201, answer.json
        return answer.json["id"]

    def signed_in(self, owner, name: str, role: str):
        self.person(owner, name, role, password=PASSWORD)
        client = self.client()
        assert self.sign_in(client, name).status_code == 200
        return client

    def sign_in(self, client, name: str, password: str = PASSWORD):
        return client.post("/api/v1/sign-in", json={"name": name, "password": password})

    def badge(self, owner, kind: str, **more) -> dict:
        answer = owner.post("/api/v1/badges", json={"kind": kind, "title": f"a {kind}", **more})
        assert answer.status_code == 201, answer.json
        return answer.json


@pytest.fixture(autouse=True)
def cheap_hashes(request, monkeypatch):
    """Passwords of tests are hashed a hundred times faster, where the test is not about that."""
    if "hard_to_try" not in request.node.name:
        monkeypatch.setattr(secrets, "METHOD", "scrypt:1024:8:1")
        monkeypatch.setattr(secrets, "_NOBODYS", "scrypt:1024:8:1$aaaaaaaaaaaaaaaa$" + "0" * 128)


@pytest.fixture
def house(empty_shop):  # noqa: F811
    return House(empty_shop)


@pytest.fixture
def owner(house):
    return house.owner()
