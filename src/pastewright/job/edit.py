"""A job's text with one wish more, everything else left as it was: doses of a part, pin or pad, what is left out, order.

A wish for a pad with names goes into a [[rule]] with part and pin, which holds for both sides of a board; one for a pad
without names into a [[pad]] by its id. New rules come first, since the first that matches decides.
"""

from collections.abc import MutableMapping
from dataclasses import dataclass
from difflib import unified_diff
from enum import StrEnum
from typing import Any, cast

import tomlkit
from tomlkit.items import AoT

from pastewright.job.model import LaidAs, LayTurn
from pastewright.job.read import FILE_NAME, parse_job
from pastewright.problems import one_error

HEAD = "# What is particular to this board; every key is told in docs/job.md.\n"
ACTIONS = ("volume_ul", "scale_percent", "coverage_percent", "skip")
PLAIN = frozenset("*?[")


class DoseWish(StrEnum):
    """What is wished for a dose: a volume, a share of the usual, a cover at foil thickness, nothing, or the usual again."""

    VOLUME = "volume_ul"
    SCALE = "scale_percent"
    COVERAGE = "coverage_percent"
    SKIP = "skip"
    USUAL = "usual"


@dataclass(frozen=True, slots=True, kw_only=True)
class Whom:
    """The pads of a part, one of them (`pin`), or a pad without names (`pad_id`)."""

    ref: str = ""
    pin: str = ""
    pad_id: str = ""

    @property
    def by_part(self) -> bool:
        """Whether the file names it by its part; a name that would be a pattern is told by the pad's id."""
        return bool(self.ref) and not any(mark in self.ref + self.pin for mark in PLAIN)


@dataclass(frozen=True, slots=True, kw_only=True)
class JobWish(Whom):
    """A wish for the dose of some pads; `value` is in the unit of the file's key."""

    what: DoseWish
    value: float | None = None
    note: str = ""


@dataclass(frozen=True, slots=True, kw_only=True)
class ChangedLine:
    """A line that comes ("+"), goes ("-"), or stands beside one that does (" "), without its end."""

    sign: str
    text: str


def with_wish(text: str, wish: JobWish) -> str:
    """Return a job's text ("" for none yet) with a wish for doses; `InputError` where it is no job then."""
    document = _document(text)
    name = "rule" if wish.by_part else "pad"
    if wish.what is DoseWish.USUAL:
        _without_rows(document, name, wish)
        return _checked(document)
    row = _row(document, name, wish)
    for action in ACTIONS:
        row.pop(action, None)
    row[wish.what.value] = True if wish.what is DoseWish.SKIP else wish.value
    if wish.note:
        row["note"] = wish.note
    return _checked(document)


def with_form(text: str, who: Whom, laid_as: LaidAs | None) -> str:
    """Return a job's text with a wish how pads are laid; None takes it back."""
    document = _document(text)
    if laid_as is None:
        _without_rows(document, "lay", who)
    else:
        _row(document, "lay", who)["as"] = laid_as.value
    return _checked(document)


def with_turn(text: str, ref: str, turn: LayTurn) -> str:
    """Return a job's text in which a part is laid first, last, or between."""
    document = _document(text)
    order = cast("MutableMapping[str, Any]", document.get("order") or tomlkit.table())
    for key, own in (("first", LayTurn.FIRST), ("last", LayTurn.LAST)):
        names = _without(order.get(key, ""), ref)
        if turn is own:
            names.append(ref)
        if names or key in order:
            order[key] = ", ".join(names)
    if "order" not in document:
        document["order"] = order
    return _checked(document)


def with_fitted(text: str, ref: str, *, fitted: bool) -> str:
    """Return a job's text in which a part gets paste, or is not fitted and gets none."""
    document = _document(text)
    names = _without(document.get("not_fitted", ""), ref)
    if not fitted:
        names.append(ref)
    if "not_fitted" in document:
        document["not_fitted"] = ", ".join(names)
    elif names:
        # Keys of the top stand before every section.
        document = _document(f'not_fitted = "{", ".join(names)}"\n{tomlkit.dumps(document)}')
    return _checked(document)


def changed_lines(before: str, after: str) -> list[ChangedLine]:
    """Return the lines that differ, with one line around them."""
    found = unified_diff(before.splitlines(), after.splitlines(), n=1, lineterm="")
    return [
        ChangedLine(sign=line[0], text=line[1:])
        for line in found
        if line[:1] in "+- " and not line.startswith(("---", "+++"))
    ]


def _document(text: str) -> tomlkit.TOMLDocument:
    try:
        return tomlkit.parse(text or HEAD)
    except tomlkit.exceptions.ParseError as error:
        raise one_error(f"it is not TOML: {error}", "Mend it first.", file=FILE_NAME) from None


def _checked(document: tomlkit.TOMLDocument) -> str:
    text = tomlkit.dumps(document)
    parse_job(text, FILE_NAME)
    return text


def _row(document: tomlkit.TOMLDocument, name: str, who: Whom) -> MutableMapping[str, Any]:
    """Return the one row of a list that speaks of just these pads, made where there is none."""
    rows = cast("AoT", document.get(name) or tomlkit.aot())
    own = [row for row in rows if _is_of(row, who)]
    for row in own[1:]:
        rows.remove(row)
    if own:
        return cast("MutableMapping[str, Any]", own[0])
    row = tomlkit.table()
    row.update(
        {"ref": who.ref, **({"pin": who.pin} if who.pin else {})} if who.by_part else {"id": who.pad_id}
    )
    # A single pin goes before its whole part.
    place = 0 if who.pin or not who.by_part else _after_pins(rows, who.ref)
    rows.insert(place, row)
    if name not in document:
        document.append(name, rows)
    return cast("MutableMapping[str, Any]", rows[place])


def _without_rows(document: tomlkit.TOMLDocument, name: str, who: Whom) -> None:
    rows = cast("AoT", document.get(name) or tomlkit.aot())
    for row in [row for row in rows if _is_of(row, who)]:
        rows.remove(row)
    if not len(rows):
        document.pop(name, None)


def _is_of(row: MutableMapping[str, Any], who: Whom) -> bool:
    """Tell whether a row speaks of just these pads, and of nothing narrower."""
    if not who.by_part:
        return bool(row.get("id") == who.pad_id)
    narrower = {"kind", "area_from_mm2", "area_to_mm2"} & row.keys()
    return not narrower and row.get("ref", "") == who.ref and row.get("pin", "") == who.pin


def _after_pins(rows: AoT, ref: str) -> int:
    pins = [n for n, row in enumerate(rows) if row.get("ref") == ref and row.get("pin")]
    return pins[-1] + 1 if pins else 0


def _without(names: str, ref: str) -> list[str]:
    return [name for part in names.split(",") if (name := part.strip()) and name != ref]
