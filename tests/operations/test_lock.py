""".ci/requirements.lock pins what a run needs, .ci/constraints.txt all of it and the tests' packages; both fit pyproject.toml."""

from __future__ import annotations

import re
import tomllib
from importlib import metadata
from pathlib import Path

import pytest
from packaging.markers import default_environment
from packaging.requirements import Requirement
from packaging.utils import canonicalize_name

ROOT = Path(__file__).parents[2]
REFRESH = "refresh both files: DEVELOPERS.md, How to check"


def pins(file: str) -> dict[str, list[Requirement]]:
    """Every pinned package of a file; one may be pinned several times, for different Pythons."""
    text = (ROOT / file).read_text().replace("\\\n", " ")
    found: dict[str, list[Requirement]] = {}
    for line in text.splitlines():
        pin = Requirement(line.split(" --hash")[0])
        assert re.fullmatch(r"==[\w.]+", str(pin.specifier)), line
        found.setdefault(canonicalize_name(pin.name), []).append(pin)
    return found


def here(found: list[Requirement]) -> list[Requirement]:
    return [pin for pin in found if pin.marker is None or pin.marker.evaluate()]


@pytest.fixture(scope="module")
def wanted():
    return tomllib.loads((ROOT / "pyproject.toml").read_text())["project"]


def test_what_pyproject_asks_for_is_pinned_at_a_version_that_it_allows(wanted):
    lock, constraints = pins(".ci/requirements.lock"), pins(".ci/constraints.txt")
    extras = wanted["optional-dependencies"]
    run = [*wanted["dependencies"], *extras["fleet"]]
    for pinned, asked in ((lock, run), (constraints, [*run, *extras["test"]])):
        for one in map(Requirement, asked):
            if one.name == "kerfbook":
                continue
            versions = pinned.get(canonicalize_name(one.name))
            assert versions, f"{one.name} is not pinned; {REFRESH}"
            assert all(one.specifier.contains(str(pin.specifier)[2:]) for pin in versions), f"{one}; {REFRESH}"


def test_all_that_a_run_needs_is_pinned_down_to_the_last_package(wanted):
    lock = pins(".ci/requirements.lock")
    waiting = [Requirement(one) for one in [*wanted["dependencies"], *wanted["optional-dependencies"]["fleet"]]]
    seen: set[str] = set()
    while waiting:
        one = waiting.pop()
        name = canonicalize_name(one.name)
        assert here(lock.get(name, [])), f"{one.name} is not pinned; {REFRESH}"
        if (key := f"{name}{sorted(one.extras)}") in seen:
            continue
        seen.add(key)
        for text in metadata.requires(one.name) or []:
            further = Requirement(text)
            environments = [{**default_environment(), "extra": extra} for extra in (*one.extras, "")]
            if further.marker is None or any(further.marker.evaluate(e) for e in environments):
                waiting.append(further)
    assert len(seen) > 20


def test_the_constraints_hold_the_same_versions_as_the_lock():
    constraints = pins(".ci/constraints.txt")
    for name, pinned in pins(".ci/requirements.lock").items():
        assert sorted(map(str, pinned)) == sorted(map(str, constraints[name])), f"{name}; {REFRESH}"


def test_every_package_of_the_lock_has_its_hashes():
    packages = (ROOT / ".ci/requirements.lock").read_text().replace("\\\n", " ").splitlines()
    assert len(packages) > 30
    for line in packages:
        assert re.search(r" --hash=sha256:[0-9a-f]{64}( |$)", line), line


def test_the_lock_stays_small_enough_to_be_read():
    assert (ROOT / ".ci/requirements.lock").stat().st_size < 200_000
