"""Text of a profile file to a `Profile`, or to every problem in it at once.

Steps: TOML to plain values; each value against the key table (`keys`); values against each other (`checks`);
then units of the file to units of the model.
"""

import hashlib
import re
import tomllib
from collections.abc import Mapping, Sequence
from dataclasses import replace
from pathlib import Path
from typing import Any

from pastewright.materials.tables import nearest
from pastewright.problems import InputError, Problem, one_error
from pastewright.profile import build
from pastewright.profile.accept import accepted
from pastewright.profile.checks import cross_checks
from pastewright.profile.keys import SECTIONS, Key, KeyNeed, Section, Value
from pastewright.profile.lines import Path as KeyPath
from pastewright.profile.lines import key_lines
from pastewright.profile.model import Profile
from pastewright.profile.strength import strength_problems
from pastewright.profile.values import Table, Values

# More than any bench says; a larger file is something else.
LARGEST_BYTES = 200_000

# Looking for the word that was meant takes time; a file with more wrong words than this is something else.
MOST_HINTS = 40


def read_profile(path: Path) -> Profile:
    """Return the profile of a TOML file; InputError gathers all that is wrong with it."""
    new = "Write one with: pastewright profile new bench.toml"
    return parse_profile(toml_text(path, "profile", "Give the bench's .toml file.", new), str(path))


def toml_text(path: Path, noun: str, give: str, write: str) -> str:
    """Return the text of a TOML file that is a `noun`; `give` and `write` say how to mend what is none."""
    try:
        if path.is_dir():
            raise one_error(f"this is a folder, not a {noun}", give, file=str(path))
        if path.stat().st_size > LARGEST_BYTES:
            raise one_error(f"a {noun} of more than {LARGEST_BYTES} bytes is not read", give, file=str(path))
        data = path.read_bytes()
    except OSError as error:
        raise one_error(
            f"the {noun} cannot be read: {error.strerror or error}", write, file=str(path)
        ) from None
    try:
        return data.decode("utf-8")
    except UnicodeDecodeError as error:
        line = data.count(b"\n", 0, error.start) + 1
        raise one_error(
            "this is not UTF-8 text", "Save the file as UTF-8 text.", file=str(path), line=line
        ) from None


def parse_profile(text: str, file: str) -> Profile:
    """Return the profile in `text`; `file` is the name that messages and the profile carry."""
    document, reader = opened(text, file, SECTIONS)
    values = Values(
        file=file,
        tables=reader.tables(document),
        rules=reader.rows(document, "dose.rule"),
        history=reader.rows(document, "tuning.history"),
    )
    reader.problems.extend(cross_checks(values))
    if reader.problems:
        raise InputError(
            sorted(reader.problems, key=lambda problem: (problem.line is None, problem.line or 0))
        )
    profile = build.profile(values, sha256=hashlib.sha256(text.encode("utf-8", "surrogatepass")).hexdigest())
    weak = [
        values.problem(values[section], key, what, mend)
        for section, key, what, mend in strength_problems(profile)
    ]
    if weak:
        raise InputError(weak)
    return profile


def opened(text: str, file: str, sections: Sequence[Section]) -> tuple[dict[str, Any], "SectionReader"]:
    """Return the document in a TOML text, and the reader that checks it against `sections`."""
    text = text.removeprefix("\ufeff")
    document = _document(text, file)
    return document, SectionReader(file, key_lines(text.replace("\r\n", "\n")), sections)


def _document(text: str, file: str) -> dict[str, Any]:
    try:
        return tomllib.loads(text)
    except tomllib.TOMLDecodeError as error:
        found = re.fullmatch(
            r"(.*?) *\(at (?:line (\d+), column \d+|end of document)\)", str(error), re.DOTALL
        )
        what, line = (found.group(1), found.group(2)) if found else (str(error), None)
        if "Cannot overwrite" in what or "Cannot declare" in what:
            what = f"a key or section is given twice{_before(text, int(line) if line else 0)}"
        raise one_error(
            f"not valid TOML: {what[:1].lower()}{what[1:]}",
            'Each line is a [section], or key = value; text stands in "quotes", and no key comes twice.',
            file=file,
            line=int(line) if line else max(1, len(text.splitlines())),
        ) from None
    except ValueError as error:
        # The parser lets Python's own limit on the digits of a whole number through.
        raise one_error(
            f"not valid TOML: {error}", "Write numbers of a sensible length.", file=file
        ) from None
    except RecursionError:
        raise one_error("not a profile: values are nested too deeply", file=file) from None


def _before(text: str, line: int) -> str:
    """Where a section or key of a line stood before, in words; "" where that can't be told by the line alone."""
    rows = [row.split("#")[0].split("=")[0].strip() for row in text.splitlines()]
    name = rows[line - 1] if 0 < line <= len(rows) else ""
    # A key is looked for from its section's head on.
    begin = 0
    if not name.startswith("["):
        begin = next((at for at in range(line - 2, -1, -1) if rows[at].startswith("[")), 0)
    first = next((at + 1 for at in range(begin, line - 1) if name and rows[at] == name), None)
    return "" if first is None else f": {name} stands in line {first}, too"


class SectionReader:
    """Checks one document against a table of sections and gathers problems; one reader reads one file."""

    def __init__(self, file: str, lines: Mapping[KeyPath, int], sections: Sequence[Section]) -> None:
        self.file = file
        self.lines = lines
        self.sections = {section.name: section for section in sections}
        self.keys = [key for section in sections for key in section.keys]
        self.problems: list[Problem] = []
        self.meant: set[str] = set()
        self.hints = 0

    def tables(self, document: Mapping[str, Any]) -> dict[str, Table]:
        """Return every section that stands once, with the values that are right, defaults filled in."""
        self._unknown_words(document)
        tables: dict[str, Table] = {}
        for name, section in self.sections.items():
            if not section.repeated:
                found = self._section(document, name)
                tables[name] = self._table(name, found, tuple(name.split(".")))
        return tables

    def _section(self, document: Mapping[str, Any], name: str) -> Mapping[str, Any]:
        if not name:
            return document
        found = document.get(name, {})
        if isinstance(found, dict):
            return found
        self._problem((name,), f"{name} is not a section", f"Write [{name}] on a line of its own.")
        return {}

    def rows(self, document: Mapping[str, Any], name: str) -> tuple[Table, ...]:
        """Return the tables of a repeated section, [[name]]."""
        path: KeyPath = tuple(name.split("."))
        found: Any = document
        for part in path:
            found = found.get(part, {}) if isinstance(found, dict) else {}
        rows = found if found != {} else []
        if not isinstance(rows, list) or not all(isinstance(row, dict) for row in rows):
            noun = str(path[-1])
            self._problem(path, f"{name} is not a list of {noun}s", f"Write [[{name}]] with two brackets.")
            return ()
        tables = []
        for index, row in enumerate(rows):
            self._unknown_keys(row, self.sections[name].names, (*path, index))
            tables.append(self._table(name, row, (*path, index)))
        return tuple(tables)

    def _table(self, section: str, found: Mapping[str, Any], path: KeyPath) -> Table:
        """Check the keys of one section; wrong ones are left out, so that later checks skip them."""
        own = () if not section else path
        good: dict[str, Value | None] = {}
        missing: list[Key] = []
        lines: dict[str, int | None] = {"": self._line(own)}
        for key in self.sections[section].keys:
            lines[key.name] = self._line((*own, key.name))
            if key.name in found:
                try:
                    good[key.name] = accepted(key, found[key.name])
                except InputError as error:
                    self.problems.extend(
                        replace(problem, file=self.file, line=lines[key.name]) for problem in error.problems
                    )
            elif key.need is not KeyNeed.REQUIRED:
                good[key.name] = key.default
            else:
                missing.append(key)
        self._missing(section, missing, own)
        return Table(section=section, values=good, given=frozenset(found), lines=lines)

    def _missing(self, section: str, missing: Sequence[Key], own: KeyPath) -> None:
        """Report required keys that are not there, but for those that a wrong word was meant to be."""
        keys = [key for key in missing if key.path not in self.meant]
        if section and own not in self.lines and len(own) == 1:
            if keys and section not in self.meant:
                names = ", ".join(key.name for key in keys)
                self._problem((), f"the section [{section}] is missing", f"Add it, with {names}.")
            return
        for key in keys:
            self._problem(own, f"{key.path} is missing", f"Add {key.name}, {key.comment} ({key.accepts}).")

    # ---- words

    def _unknown_words(self, document: Mapping[str, Any]) -> None:
        sections = [name for name in self.sections if name and "." not in name]
        tops = list(self.sections[""].names)
        for name, value in document.items():
            if name in tops:
                continue
            if name not in sections:
                self._unknown_top(name, value, sections, tops)
            elif isinstance(value, dict) and not self.sections[name].repeated:
                inner = [
                    other.removeprefix(f"{name}.") for other in self.sections if other.startswith(f"{name}.")
                ]
                self._unknown_keys(value, [*self.sections[name].names, *inner], (name,))

    def _unknown_top(self, name: str, value: Any, sections: list[str], tops: list[str]) -> None:
        if isinstance(value, dict | list):
            close = self._nearest(name, sections)
            mend = f"Did you mean [{close}]?" if close else "Sections: " + ", ".join(sections) + "."
            self._problem((name,), f"there is no section [{name}]", mend)
        else:
            homes = [key.section for key in self.keys if key.name == name and key.section]
            close = self._nearest(name, [*tops, *sections, *(key.name for key in self.keys)])
            if homes:
                mend = f"It belongs below [{homes[0]}]."
            else:
                mend = f"Did you mean {close}?" if close else "Keys stand below the header of their section."
            self._problem((name,), f"there is no key {name} outside the sections", mend)
        self.meant.add(close)

    def _unknown_keys(self, table: Mapping[str, Any], known: Sequence[str], path: KeyPath) -> None:
        section = ".".join(part for part in path if isinstance(part, str))
        for name in table:
            if name in known:
                continue
            same = next((word for word in known if _base(word) == _base(name) != word), "")
            homes = [key.section for key in self.keys if key.name == name]
            close = same or self._nearest(name, known)
            if same:
                accepts = next(key.accepts for key in self.sections[section].keys if key.name == same)
                mend = f"The unit is part of the name: here it is {same} ({accepts})."
            elif close:
                mend = f"Did you mean {close}?"
            elif homes:
                mend = f"It belongs below [{homes[0]}]."
            else:
                mend = f"Keys of [{section}]: " + ", ".join(known) + "."
            self.meant.add(f"{section}.{close}")
            self._problem((*path, name), f"there is no key {name} in [{section}]", mend)

    def _nearest(self, name: str, known: Sequence[str]) -> str:
        self.hints += 1
        return nearest(name, known) if self.hints <= MOST_HINTS else ""

    def _problem(self, path: KeyPath, what: str, mend: str) -> None:
        self.problems.append(Problem(what=what, mend=mend, file=self.file, line=self._line(path)))

    def _line(self, path: KeyPath) -> int | None:
        for end in range(len(path), 0, -1):
            if path[:end] in self.lines:
                return self.lines[path[:end]]
        return None


# Endings that are units of people, longest first; a key of the file with another one is the same quantity.
_UNIT_ENDING = re.compile(
    r"_(n_mm|mm_s2|mm_s|ul_s|ml_s|mm_min|m_s|g_cm3|kg_m3|pa_sn|kpa_sn|pa_s|mm2|wt_percent|percent|fraction|ratio|"
    r"mm|um|cm|inch|in|mil|m|ul|nl|ml|mm3|kpa|mpa|gpa|bar|psi|pa|nm|nmm|ncm|mnm|ms|s|min|deg|rad)$"
)


def _base(name: str) -> str:
    """Return a key's name without its unit."""
    return _UNIT_ENDING.sub("", name)
