"""Says things about blades in few words, for tests."""

from __future__ import annotations

from itertools import count

from collector.book.blade_entries import BladeEvent, BladeSheet, ChangeSaid, Fate, SheetSaid


class Sayer:
    """Numbers what is said, as the book does."""

    def __init__(self) -> None:
        self._number = count(1)
        self.changes: list[ChangeSaid] = []
        self.events: list[BladeEvent] = []
        self.sheets: list[SheetSaid] = []

    def change(self, at, tag, fate=None, *, saw="heron", kind="change", corrects=None, said=None):
        n = next(self._number)
        fate = None if fate is None else Fate(fate)
        entry = ChangeSaid(f"c{n}", at if said is None else said, "operator", saw, kind, at, tag, fate, corrects, n)
        self.changes.append(entry)
        return n

    def cleaned(self, at, *, saw="heron", corrects=None):
        return self.change(at, None, saw=saw, kind="cleaned", corrects=corrects)

    def event(self, at, tag, kind, *, price=None, corrects=None):
        n = next(self._number)
        self.events.append(BladeEvent(f"e{n}", at, "maintenance lead", tag, kind, at, price, "", corrects, n))
        return n

    def sheet(self, tag, **fields):
        n = next(self._number)
        self.sheets.append(SheetSaid(f"s{n}", 0, "maintenance lead", BladeSheet(tag, **fields), id=n))
