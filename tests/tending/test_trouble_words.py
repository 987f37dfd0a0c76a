"""What the collector notes of its troubles reaches people in their language."""

from __future__ import annotations

import re
from pathlib import Path

import pytest

import collector
import dashboard.house
from api.answers.trouble_words import FORMS, in_words
from api.tongues.manner import Manner
from api.tongues.say import speaking

SAMPLES = {
    "The clock was put back by 3600 s.": "O relógio foi atrasado 3600 s.",
    "240 messages within a minute: refused, or sent before.": "240 mensagens num minuto: recusadas ou já enviadas antes.",
    "mqtt://10.0.0.2:1883: cannot be reached ([Errno 111] Connection refused)":
        "mqtt://10.0.0.2:1883: não se consegue alcançar ([Errno 111] Connection refused)",
    "The book was damaged; it is now book.sqlite.torn-1. Could not be read to the end: nothing that people said.":
        "O livro estava danificado; agora é book.sqlite.torn-1. Não se conseguiu ler até ao fim: nada do que as pessoas disseram.",
    "urn:dev:mac:0024befffe804ff2: speaks for it now; before, it was urn:dev:mac:0024befffe804ff1:":
        "agora fala por ela urn:dev:mac:0024befffe804ff2:; antes era urn:dev:mac:0024befffe804ff1:",
}  # fmt: skip


@pytest.mark.parametrize(("noted", "portuguese"), SAMPLES.items())
def test_a_trouble_is_told_in_english_as_noted_and_in_portuguese(noted, portuguese):
    assert in_words(noted) == noted
    with speaking(Manner("pt", "pt_PT")):
        assert in_words(noted) == portuguese


def test_what_fits_no_form_stays_as_it_is():
    with speaking(Manner("pt", "pt_PT")):
        assert in_words("OperationalError: disk I/O error") == "OperationalError: disk I/O error"


def test_every_form_is_still_one_of_the_collector():
    """The words between the names stand in its source, whatever the f-string is called that they stand in."""
    files = [*Path(collector.__file__).parent.rglob("*.py"), Path(dashboard.house.__file__)]
    source = re.sub(r'"\s*f?"|\{[^{}]*\}', "", "".join(path.read_text() for path in files))
    for form in FORMS:
        whole = form.replace("{broker}: ", "").replace("The trace ", "The  ").replace("The book ", "The  ")
        whole = whole.replace("put forward", "put ").replace("put back", "put ")
        assert re.sub(r"\{\w+\}", "", whole) in source, form
