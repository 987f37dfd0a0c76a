"""Every marked text has a translation with the same placeholders, and the catalogues compile."""

from __future__ import annotations

import re

import pytest

from api.tongues import catalogue
from tests.tongues.gather import ROOT, gathered, written

LANGUAGES = [code for code in catalogue.languages() if code != catalogue.SOURCE]
PLACEHOLDER = re.compile(r"%(?:\(\w+\))?[srd]|\{\w+\}|<[^>]+>|%%")


def parts(text: str | tuple[str, ...]) -> list[str]:
    return [text] if isinstance(text, str) else list(text)


@pytest.fixture(scope="module", params=LANGUAGES)
def texts(request):
    return written(catalogue.FOLDER / request.param / "LC_MESSAGES")


def test_every_marked_text_has_a_translation(texts):
    known = {message.id: message for message in texts}
    missing = [m.id for m in gathered() if m.id and (m.id not in known or not all(parts(known[m.id].string)))]
    assert missing == [], "python -m tests.tongues.gather, then translate"


def test_a_translation_has_the_placeholders_and_marks_of_its_text(texts):
    wrong = []
    for message in texts:
        if not message.id:
            continue
        for n, text in enumerate(parts(message.string)):
            wanted = parts(message.id)[min(n, len(parts(message.id)) - 1)]
            found, meant = set(PLACEHOLDER.findall(text)), set(PLACEHOLDER.findall(wanted))
            if found != meant:
                wrong.append((wanted, text))
    assert wrong == []


def test_no_translation_is_marked_as_doubtful(texts):
    assert [m.id for m in texts if m.fuzzy and m.id] == []


def test_scripts_may_choose_the_plural_by_one_rule(texts):
    """``desk/speech.js`` takes the first form for one and the second for all else; CLDR: pt-PT one is i = 1 and v = 0."""
    assert texts.plural_expr == "(n != 1)"


@pytest.mark.parametrize("language", LANGUAGES)
def test_catalogues_compile(language):
    assert catalogue.translations(language).gettext("Maintenance") != "Maintenance"


def test_no_marked_text_of_a_script_is_overlooked():
    """Babel's reader of JavaScript does not look into the values of a marked text: mark such a value outside of it."""
    known = {parts(m.id)[0] for m in gathered() if m.id}
    scripts = (ROOT / "dashboard" / "static").rglob("*.js")
    marked = {
        text for path in scripts for text in re.findall(r'\b(?:_|ngettext)\(\s*"((?:[^"\\]|\\.)*)"', path.read_text())
    }
    comments = {"{n} of {m}"}  # the example in speech.js
    assert marked - known - comments == set()
