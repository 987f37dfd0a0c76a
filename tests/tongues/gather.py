"""Gathers every marked text into the catalogues: ``python -m tests.tongues.gather``.

New texts come in without a translation, vanished ones go. Write the translations into the ``.po`` and land both.
"""

from __future__ import annotations

import datetime as dt
from copy import deepcopy
from pathlib import Path

from babel.messages.catalog import Catalog, Message
from babel.messages.extract import extract_from_dir
from babel.messages.pofile import write_po

from api.tongues.catalogue import FOLDER, PARTS, whole

ROOT = Path(__file__).resolve().parents[2]
KEYWORDS: dict[str, tuple[int, ...] | None] = {"_": None, "gettext": None, "ngettext": (1, 2), "later": None}
FIXED = dt.datetime(2026, 1, 1, tzinfo=dt.UTC)
"""Dates in the headers would make every branch differ from every other."""
METHODS = [("**.py", "python"), ("**/templates/**.html", "jinja2"), ("**/static/**.js", "javascript")]
OPTIONS = {
    "**/templates/**.html": {"trimmed": "true", "silent": "false"},
    "**/static/**.js": {"encoding": "utf-8", "parse_template_string": "true"},
}


def gathered() -> Catalog:
    """All marked texts of the rooms, each with the files that it stands in."""
    catalogue = Catalog(project="kerfbook", charset="utf-8")
    for room in ("api", "collector", "dashboard"):
        found = extract_from_dir(str(ROOT / room), METHODS, OPTIONS, KEYWORDS)
        for name, _, text, _, _ in sorted(found, key=lambda entry: entry[0]):
            catalogue.add(text, locations=[(f"{room}/{Path(name).as_posix()}", 1)])
    return catalogue


TERMINAL = (
    *("dashboard/cli.py", "dashboard/commands/", "dashboard/config/", "dashboard/doctor/", "dashboard/broker/"),
    *("dashboard/demo/", "dashboard/logs.py"),
    *("collector/backup/", "collector/book/", "collector/trace/", "collector/wire/", "collector/ingest/"),
)


def part_of(message: Message) -> str:
    """The file in which a text is kept."""
    of_terminal = message.locations and all(name.startswith(TERMINAL) for name, _ in message.locations)
    return PARTS[1] if of_terminal else PARTS[0]


def written(folder: Path) -> Catalog:
    """The catalogue of a language's folder ``LC_MESSAGES``."""
    return whole(folder, folder.parent.name)


def main() -> None:
    for folder in FOLDER.glob("*/LC_MESSAGES"):
        catalogue = written(folder)
        catalogue.update(gathered(), no_fuzzy_matching=True)
        catalogue.obsolete.clear()
        catalogue.creation_date = catalogue.revision_date = FIXED
        catalogue.project, catalogue.version, catalogue.msgid_bugs_address = "kerfbook", "", ""
        for message in catalogue:
            message.locations = sorted({(name, 1) for name, _ in message.locations})
            message.flags.discard("python-format")
        for part in PARTS:
            one = deepcopy(catalogue)
            for message in catalogue:
                if message.id and part_of(message) != part:
                    one.delete(message.id)
            with (folder / f"{part}.po").open("wb") as file:
                write_po(
                    file, one, width=0, omit_header=False, sort_output=True, include_lineno=False, ignore_obsolete=True
                )
        missing = [m.id for m in catalogue if m.id and not (all(m.string) if isinstance(m.string, tuple) else m.string)]
        print(f"{folder}: {len(catalogue)} texts, {len(missing)} without a translation")
        for text in missing:
            print("  ", text)


if __name__ == "__main__":
    main()
