"""X2 attributes: the text of `TF`, `TA`, `TO` and `TD` commands to the attributes in force.

Gerber layer format specification, "Attributes". File attributes are of the whole layer; aperture attributes are
taken by an aperture when it is defined; object attributes by an object when it is drawn.
"""

import re

from pastewright.board.artwork import Attributes

MOST_ATTRIBUTES = 200
"""Attributes in force at once. The specification knows about forty names."""

_ESCAPE = re.compile(r"\\[uU]([0-9a-fA-F]{4})|\\U([0-9a-fA-F]{8})")
_COMMENT = re.compile(r"G0?4\s*#@!\s*(T[FAOD].*)", re.DOTALL)


class BadAttributeError(ValueError):
    """An attribute command that cannot be used; the text says why."""


def attribute_in_comment(comment: str) -> str | None:
    """Return the attribute command in the text of a `G04` comment ("G04 #@! TF.Part,Single"), if there is one."""
    found = _COMMENT.match(comment)
    return found[1].strip() if found else None


class AttributeBook:
    """The attributes in force while a file is read. Mappings handed out are shared and never changed."""

    def __init__(self) -> None:
        self.of_file: dict[str, tuple[str, ...]] = {}
        self.of_aperture: dict[str, tuple[str, ...]] = {}
        self._of_object: dict[str, tuple[str, ...]] = {}
        self._merged: dict[int, tuple[Attributes, Attributes]] = {}

    def command(self, text: str) -> None:
        """Follow one command, like "TA.AperFunction,SMDPad,CuDef"; raises `BadAttributeError`."""
        kind = text[:2]
        name, *values = (_plain(part) for part in text[2:].split(","))
        name = name.removeprefix(".")
        if kind == "TD":
            self._delete(name)
            return
        if not name:
            raise BadAttributeError(f"an attribute without a name: {text[:40]!r}")
        if kind == "TF":
            self.of_file[name] = tuple(values)
            self._check(self.of_file)
        elif kind == "TA":
            self.of_aperture = {**self.of_aperture, name: tuple(values)}
            self._check(self.of_aperture)
        else:
            self._of_object = {**self._of_object, name: tuple(values)}
            self._merged = {}
            self._check(self._of_object)

    def _delete(self, name: str) -> None:
        self._merged = {}
        if not name:
            self.of_aperture = {}
            self._of_object = {}
            return
        self.of_aperture = {key: value for key, value in self.of_aperture.items() if key != name}
        self._of_object = {key: value for key, value in self._of_object.items() if key != name}

    @staticmethod
    def _check(attributes: dict[str, tuple[str, ...]]) -> None:
        if len(attributes) > MOST_ATTRIBUTES:
            attributes.clear()
            raise BadAttributeError(f"more than {MOST_ATTRIBUTES} attributes are in force at once")

    def merged(self, of_aperture: Attributes) -> Attributes:
        """Return the attributes of an object drawn now with an aperture that has these; one mapping per pair."""
        if not self._of_object:
            return of_aperture
        found = self._merged.get(id(of_aperture))
        if found is None:
            # The aperture's mapping is kept with the result, so that its id stays its own.
            found = self._merged[id(of_aperture)] = ({**of_aperture, **self._of_object}, of_aperture)
        return found[0]


def _plain(text: str) -> str:
    """Return a field with its \\uXXXX escapes replaced and the space around it removed."""
    if "\\" not in text:
        return text.strip()
    return _ESCAPE.sub(lambda found: _character(found[1] or found[2]), text).strip()


def _character(digits: str) -> str:
    code = int(digits, 16)
    return chr(code) if code < 0x110000 and not 0xD800 <= code < 0xE000 else "\ufffd"
