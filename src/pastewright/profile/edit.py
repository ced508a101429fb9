"""A profile's text with some values changed and everything else, comments and order above all, left as it was."""

import os
from collections.abc import Mapping, MutableMapping
from pathlib import Path
from tempfile import NamedTemporaryFile
from typing import Any, cast

import tomlkit
from tomlkit.items import Item

from pastewright.problems import one_error
from pastewright.profile.accept import accepted
from pastewright.profile.keys import Value, key_at
from pastewright.profile.model import Profile
from pastewright.profile.read import parse_profile, toml_text

DIGITS = 7
"""Decimals of a value: pixels of a camera are known to the fourth digit of hundredths of a millimetre."""


def with_values(text: str, values: Mapping[str, Value | None], *, file: str = "") -> str:
    """Return a profile's text with `values` by path ("bed.board_z_mm", in the file's units) written in.

    A key that is there keeps its place and its comment; one that is not comes at the end of its section; None takes a
    key out. Raises `InputError` for an unknown path, a value out of range, or a text that is no profile before or
    afterwards.
    """
    parse_profile(text, file)
    document = tomlkit.parse(text)
    for path, value in values.items():
        key = key_at(path)
        if key is None:
            raise one_error(f"a profile has no key {path}", file=file)
        if value is None:
            _table(document, key.section).pop(key.name, None)
            continue
        given = accepted(key, round(value, DIGITS) + 0.0 if isinstance(value, float) else value)
        if not key.section and key.name not in document:
            # What belongs to no section stands before the first one.
            document = tomlkit.parse(
                f"{key.name} = {tomlkit.item(given).as_string()}\n{tomlkit.dumps(document)}"
            )
            continue
        if key.section and key.section not in document:
            document.add(tomlkit.nl())
            document.add(key.section, tomlkit.table())
        _put(_table(document, key.section), key.name, tomlkit.item(given))
    changed = tomlkit.dumps(document)
    parse_profile(changed, file)
    return changed


def _table(document: tomlkit.TOMLDocument, section: str) -> MutableMapping[str, Any]:
    """Return the table of a section, the top of the file for ""; an empty one where there is none."""
    return cast("MutableMapping[str, Any]", document.get(section, {}) if section else document)


def _put(table: MutableMapping[str, Any], name: str, new: Item) -> None:
    """Set a key of a table, which may stand in parts with others between.

    A comment behind it stays in its column as far as the new value leaves room.
    """
    old = table.get(name)
    if isinstance(old, Item) and old.trivia.comment:
        room = len(old.trivia.comment_ws) + len(old.as_string()) - len(new.as_string())
        new.trivia.comment_ws = " " * max(room, 1)
    table[name] = new


def write_values(path: Path, values: Mapping[str, Value | None]) -> Profile:
    """Write `values` into a profile's file, whole or not at all, and return the profile that it is now.

    Raises `InputError` where that cannot be done; its mend has the lines to write by hand.
    """
    text = toml_text(path, "profile", "Give the bench's .toml file.", "pastewright profile new bench.toml")
    changed = with_values(text, values, file=str(path))
    by_hand = "Write it by hand: " + ", ".join(f"{name} = {value}" for name, value in values.items())
    write_profile(path, changed, by_hand)
    return parse_profile(changed, str(path))


def write_profile(path: Path, text: str, mend: str) -> None:
    """Write a profile's text, whole or not at all; raises `InputError` with `mend` where that cannot be done."""
    name = ""
    try:
        # A link to the file stays a link.
        target = path.resolve()
        with NamedTemporaryFile("wb", dir=target.parent, prefix=f".{target.name}.", delete=False) as new:
            name = new.name
            new.write(text.encode("utf-8"))
            new.flush()
            os.fsync(new.fileno())
        Path(name).chmod(target.stat().st_mode & 0o777)
        Path(name).replace(target)
    except OSError as error:
        if name:
            Path(name).unlink(missing_ok=True)
        raise one_error(
            f"the profile cannot be written: {error.strerror or error}", mend, file=str(path)
        ) from None
