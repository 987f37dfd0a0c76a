"""The door from the command line: a wider address without an account is refused, accounts are made and mended."""

from __future__ import annotations

import io

import pytest

from collector.book.book import Book
from collector.book.people import PeopleBook
from dashboard.cli import main
from dashboard.commands.run import loopback
from tests.door.conftest import PASSWORD


@pytest.fixture
def workshop(tmp_path):
    path = tmp_path / "kerfbook.toml"
    path.write_text(
        '[site]\nname = "tern-point"\ntitle = "Tern Point Stageworks"\nzone = "Europe/Lisbon"\n\n'
        '[[saws]]\nname = "heron"\n\n[broker]\nhost = "127.0.0.1"\nport = 9\n\n[web]\nhost = "0.0.0.0"\n'
    )
    return path


def typed(monkeypatch, text: str) -> None:
    monkeypatch.setattr("sys.stdin", io.StringIO(text + "\n"))


def people(workshop, *words: str) -> int:
    return main(["people", *words, "--config", str(workshop)])


def test_a_wider_address_is_refused_with_the_reason_while_nobody_has_an_account(workshop, capsys):
    assert main(["run", "--config", str(workshop)]) == 1
    told = capsys.readouterr().err
    assert "will not listen at 0.0.0.0: nobody has an account yet" in told
    assert "kerfbook people add NAME --role owner" in told


@pytest.mark.parametrize(
    ("host", "alone"),
    [("127.0.0.1", True), ("127.9.9.9", True), ("::1", True), ("localhost", True), ("0.0.0.0", False), ("::", False),
     ("192.0.2.7", False), ("saws.example", False), ("localhost.example", False)],
)  # fmt: skip
def test_what_only_this_computer_reaches(host, alone):
    assert loopback(host) == alone


def test_an_owner_is_made_and_a_forgotten_password_replaced_without_ever_being_shown(workshop, monkeypatch, capsys):
    for act, password in (("add", PASSWORD), ("password", "four wet herons fly")):
        typed(monkeypatch, password)
        assert people(workshop, act, "Ana", *(["--role", "owner"] if act == "add" else [])) == 0
        assert password not in "".join(capsys.readouterr())
    (book,) = workshop.parent.rglob("book.sqlite")
    with Book(f"sqlite:///{book}") as kept:
        door = PeopleBook(kept)
        assert door.owned()
        assert [(e.through, e.did) for e in door.entries()] == [
            ("command line", "people password"), ("command line", "people add"),
        ]  # fmt: skip


def test_a_weak_password_and_the_last_owners_end_are_refused(workshop, monkeypatch, capsys):
    typed(monkeypatch, "password1")
    assert people(workshop, "add", "Ana", "--role", "owner") == 1
    assert "tried first" in capsys.readouterr().err
    typed(monkeypatch, PASSWORD)
    assert people(workshop, "add", "Ana", "--role", "owner") == 0
    for act in (["out", "Ana"], ["erase", "Ana"], ["role", "Ana", "--role", "viewer"]):
        assert people(workshop, *act) == 1
        assert "an owner with a password must be left" in capsys.readouterr().err
