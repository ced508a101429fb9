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

from pastewright.job.model import LayTurn
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
class JobWish:
    """A wish for the pads of a part, for one of them (`pin`), or for a pad without names (`pad_id`).

    `value` is in the unit of the file's key.
    """

    what: DoseWish
    ref: str = ""
    pin: str = ""
    pad_id: str = ""
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
    by_part = bool(wish.ref) and not any(mark in wish.ref + wish.pin for mark in PLAIN)
    name = "rule" if by_part else "pad"
    rows = cast("AoT", document.get(name) or tomlkit.aot())
    own = [row for row in rows if _is_of(row, wish, by_part=by_part)]
    for row in own[1:] if wish.what is not DoseWish.USUAL else own:
        rows.remove(row)
    if wish.what is not DoseWish.USUAL:
        if own:
            row = cast("MutableMapping[str, Any]", own[0])
            for action in ACTIONS:
                row.pop(action, None)
        else:
            row = tomlkit.table()
            row.update(
                {"ref": wish.ref, **({"pin": wish.pin} if wish.pin else {})}
                if by_part
                else {"id": wish.pad_id}
            )
            # A single pin goes before its whole part.
            rows.insert(0 if wish.pin or not by_part else _after_pins(rows, wish.ref), row)
        row[wish.what.value] = True if wish.what is DoseWish.SKIP else wish.value
        if wish.note:
            row["note"] = wish.note
    _put(document, name, rows)
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


def _is_of(row: MutableMapping[str, Any], wish: JobWish, *, by_part: bool) -> bool:
    """Tell whether a row speaks of just what the wish does, and of nothing narrower."""
    if not by_part:
        return bool(row.get("id") == wish.pad_id)
    narrower = {"kind", "area_from_mm2", "area_to_mm2"} & row.keys()
    return not narrower and row.get("ref", "") == wish.ref and row.get("pin", "") == wish.pin


def _after_pins(rows: AoT, ref: str) -> int:
    pins = [n for n, row in enumerate(rows) if row.get("ref") == ref and row.get("pin")]
    return pins[-1] + 1 if pins else 0


def _put(document: tomlkit.TOMLDocument, name: str, rows: AoT) -> None:
    if not len(rows):
        document.pop(name, None)
    elif name not in document:
        document.append(name, rows)


def _without(names: str, ref: str) -> list[str]:
    return [name for part in names.split(",") if (name := part.strip()) and name != ref]
