"""The one table of the profile file (`keys.toml`) as values: every key with its unit, range, default and meaning.

`read` checks files by it, `new` writes files from it, and the page docs/profile.md is made of it. Values here are
in the units of the file (friendly ones: Pa, MPa, mL, percent); `scale` leads to the model's (kPa, µL, fractions).
"""

import pkgutil
import tomllib
from dataclasses import dataclass
from enum import StrEnum
from math import inf
from typing import Any

from msgspec import Struct


class KeyKind(StrEnum):
    """What may stand behind a key."""

    NUMBER = "number"
    INTEGER = "whole number"
    TEXT = "text"
    CHOICE = "one of"
    YES_NO = "true or false"
    PAIRS = "pairs"
    PLACE = "place"
    LIST = "list"


class KeyNeed(StrEnum):
    """Whether a key must be given: required, else its default holds, or it may be left out for another key."""

    REQUIRED = "required"
    DEFAULT = "default"
    OPTIONAL = "optional"


Value = float | int | str | bool | tuple[Any, ...]
"""Pairs are tuples of two numbers each; a place is two numbers; what a list holds is checked by its reader."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Key:
    """One key of the file. `low` and `high` are the first and last value allowed, in the file's unit.

    `field` is the name in the model where it differs from `name`.
    """

    section: str
    name: str
    kind: KeyKind
    comment: str
    unit: str
    low: float
    high: float
    choices: tuple[str, ...]
    need: KeyNeed
    default: Value | None
    scale: float
    field: str

    @property
    def path(self) -> str:
        """The key with its section: `plunger.letter`."""
        return f"{self.section}.{self.name}" if self.section else self.name

    @property
    def accepts(self) -> str:
        """What the key accepts, for messages and the page: "0.5 to 60 mm", "reprap or ngc"."""
        if self.kind is KeyKind.CHOICE:
            return ", ".join(self.choices[:-1]) + " or " + self.choices[-1]
        if self.kind in (KeyKind.TEXT, KeyKind.YES_NO, KeyKind.LIST):
            return self.kind.value
        if self.kind is KeyKind.PLACE:
            return f"[x, y], each {self.low:g} to {self.high:g} {self.unit}"
        return f"{self.low:g} to {self.high:g} {self.unit}".rstrip()


class Section(Struct, frozen=True, kw_only=True):
    """A table of the file; `repeated` ones are written [[name]] any number of times."""

    name: str
    about: str
    repeated: bool
    keys: tuple[Key, ...]

    @property
    def names(self) -> tuple[str, ...]:
        """Names of the keys in the order of the file."""
        return tuple(key.name for key in self.keys)


def _key(section: str, row: dict[str, Any]) -> Key:
    default, low_high = row.get("default"), row.get("range", [-inf, inf])
    kind = KeyKind(row.get("kind", KeyKind.NUMBER))
    if kind is KeyKind.NUMBER and default is not None:
        default = float(default)
    if isinstance(default, list):
        default = tuple((float(first), float(second)) for first, second in default)
    need = (
        KeyNeed.OPTIONAL if row.get("optional") else KeyNeed.REQUIRED if default is None else KeyNeed.DEFAULT
    )
    return Key(
        section=section,
        name=row["name"],
        kind=kind,
        comment=row["comment"],
        unit=row.get("unit", ""),
        low=low_high[0],
        high=low_high[1],
        choices=tuple(row.get("words", ())),
        need=need,
        default=default,
        scale=row.get("scale", 1.0),
        field=row.get("field", row["name"]),
    )


def sections_of(package: str) -> tuple[Section, ...]:
    """Return the sections in the `keys.toml` of a package; other files than the profile have tables of their own."""
    text = (pkgutil.get_data(package, "keys.toml") or b"").decode()
    return tuple(
        Section(
            name=row["name"],
            about=row["about"],
            repeated=row.get("repeated", False),
            keys=tuple(_key(row["name"], key) for key in row["keys"]),
        )
        for row in tomllib.loads(text)["section"]
    )


SECTIONS = sections_of("pastewright.profile")
KEYS = tuple(key for section in SECTIONS for key in section.keys)


def section_named(name: str) -> Section:
    """Return a section by its name; the top of the file is ""."""
    return next(section for section in SECTIONS if section.name == name)


def key_at(path: str) -> Key | None:
    """Return the key of a path ("plunger.letter"), or None when there is none."""
    return next((key for key in KEYS if key.path == path), None)
