"""Values of a profile file between the key table and the model: checked one by one, still in the file's units."""

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any

from msgspec import Struct

from pastewright.problems import Problem
from pastewright.profile.keys import Value


class WrongValueError(LookupError):
    """A check asked for a value that was reported already; the check has nothing to say."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Table:
    """A section: right values by key (None: left out), the words that were given, and lines by key.

    `lines[""]` is the section's own line.
    """

    section: str
    values: Mapping[str, Value | None]
    given: frozenset[str]
    lines: Mapping[str, int | None]

    def number(self, name: str) -> float:
        """Return a number; WrongValueError when it is missing or was wrong."""
        value = self.maybe_number(name)
        if value is None:
            raise WrongValueError(name)
        return value

    def maybe_number(self, name: str) -> float | None:
        """Return a number, or None when it was left out; WrongValueError when it was wrong."""
        value = self._value(name)
        if value is None or isinstance(value, int | float):
            return value
        raise TypeError(f"{self.section}.{name} is not a number key")

    def text(self, name: str) -> str:
        """Return a text; WrongValueError when it is missing or was wrong."""
        value = self.maybe_text(name)
        if value is None:
            raise WrongValueError(name)
        return value

    def maybe_text(self, name: str) -> str | None:
        """Return a text, or None when it was left out; WrongValueError when it was wrong."""
        value = self._value(name)
        if value is None or isinstance(value, str):
            return value
        raise TypeError(f"{self.section}.{name} is not a text key")

    def maybe_tuple(self, name: str) -> tuple[Any, ...] | None:
        """Return a place or a list, or None when it was left out; WrongValueError when it was wrong."""
        value = self._value(name)
        if value is None or isinstance(value, tuple):
            return value
        raise TypeError(f"{self.section}.{name} is neither a place nor a list")

    def pairs(self, name: str) -> tuple[tuple[float, float], ...]:
        """Return pairs of numbers; WrongValueError when they were wrong."""
        value = self._value(name)
        if isinstance(value, tuple):
            return value
        raise TypeError(f"{self.section}.{name} is not a key of pairs")

    def _value(self, name: str) -> Value | None:
        if name not in self.values:
            raise WrongValueError(name)
        return self.values[name]


class Values(Struct, frozen=True, kw_only=True):
    """All sections of a file, its dose rules (of a tray: its boards) and its tunings in order."""

    file: str
    tables: Mapping[str, Table]
    rules: tuple[Table, ...]
    history: tuple[Table, ...] = ()

    def __getitem__(self, section: str) -> Table:
        return self.tables[section]

    def problem(self, table: Table, name: str, what: str, mend: str) -> Problem:
        """Return a problem of one key, with the line it stands on (its section's when it was left out)."""
        line = table.lines.get(name)
        return Problem(what=what, mend=mend, file=self.file, line=table.lines[""] if line is None else line)
