"""JSON data against the shape of a record: every fault, each with its place, in words for people.

The decoder of records stops at the first fault and names it in its own terms. Where it refuses, the data is gone
through once more here.

    in pads 3 (R1-1), deposits 1: "kind" is "blob"; it must be dot or bead
"""

import json
from collections.abc import Iterator, Mapping, Sequence
from math import isfinite
from re import compile as pattern
from re import fullmatch

from msgspec import inspect

MOST_FAULTS = 20
SURROGATES = pattern("[\ud800-\udfff]")
"""Halves of characters, which JSON can spell and no file can hold."""
MOST_SHOWN = 40
"""Letters of a wrong value that are shown; a whole list would hide the place it stands in. Own choice."""


def faults(data: object, kind: type) -> list[str]:
    """Return what is wrong with data that should be a record of a kind, the first `MOST_FAULTS` of it; of a file of another
    kind nothing but that.
    """
    wanted = inspect.type_info(kind)
    if other := _another_kind(data, wanted):
        return [other]
    found: list[str] = []
    for place, words in _faults(data, wanted, (), ""):
        if len(found) == MOST_FAULTS:
            return [*found, "… and more"]
        found.append(f"in {', '.join(place)}: {words}" if place else words)
    return found


def _another_kind(data: object, kind: inspect.Type) -> str:
    """Return words for a file that names a format which is no other version of the one wanted, "" where it does not."""
    if not isinstance(kind, inspect.StructType) or not isinstance(data, Mapping) or "format" not in data:
        return ""
    field = next((one for one in kind.fields if one.encode_name == "format"), None)
    if field is None or _fits(data["format"], field.type):
        return ""
    literal = field.type.type if isinstance(field.type, inspect.Metadata) else field.type
    numbered = isinstance(literal, inspect.LiteralType) and isinstance(literal.values[0], int)
    if numbered and isinstance(data["format"], int):
        return ""
    return f"this is a file of another kind (its format is {_shown(data['format'])})"


Place = tuple[str, ...]
Fault = tuple[Place, str]


def _faults(data: object, kind: inspect.Type, place: Place, name: str) -> Iterator[Fault]:
    """Yield faults of one value; `name` is what it is called within its place."""
    if isinstance(kind, inspect.Metadata):
        kind = kind.type
    if isinstance(kind, inspect.UnionType):
        others = [each for each in kind.types if not isinstance(each, inspect.NoneType)]
        if data is None and len(others) < len(kind.types):
            return
        if len(others) == 1:
            yield from _faults(data, others[0], place, name)
            return
    if isinstance(kind, inspect.StructType):
        yield from _of_struct(data, kind, (*place, name) if name else place, name)
    elif isinstance(kind, (inspect.VarTupleType, inspect.TupleType)):
        yield from _of_list(data, kind, place, name)
    elif not _fits(data, kind):
        yield place, f"{_called(name)} is {_shown(data)}; it must be {_wanted(kind)}"


def _of_struct(data: object, kind: inspect.StructType, place: Place, name: str) -> Iterator[Fault]:
    if not isinstance(data, Mapping):
        yield (
            place,
            f"{'this' if name else 'all of it'} is {_shown(data)}; it must be a table of named values",
        )
        return
    known = {field.encode_name: field for field in kind.fields}
    for key, field in known.items():
        if key in data:
            yield from _faults(data[key], field.type, place, key)
        elif field.required:
            yield place, f"{_called(key)} is missing"
    if kind.forbid_unknown_fields:
        for key in data:
            if key not in known:
                yield place, f"{_called(str(key))} is not known here"


def _of_list(
    data: object, kind: inspect.VarTupleType | inspect.TupleType, place: Place, name: str
) -> Iterator[Fault]:
    if not isinstance(data, Sequence) or isinstance(data, str) or not _long_enough(data, kind):
        yield place, f"{_called(name)} is {_shown(data)}; it must be {_wanted(kind)}"
        return
    if isinstance(kind, inspect.TupleType):
        if not all(_fits(one, each) for one, each in zip(data, kind.item_types, strict=True)):
            yield place, f"{_called(name)} is {_shown(data)}; it must be {_wanted(kind)}"
        return
    for number, one in enumerate(data, start=1):
        called = f"{name} {number}"
        own = one.get("id", one.get("name")) if isinstance(one, Mapping) else None
        if isinstance(own, str) and own:
            called += f" ({own})"
        yield from _faults(one, kind.item_type, place, called)


def _long_enough(data: Sequence[object], kind: inspect.VarTupleType | inspect.TupleType) -> bool:
    if isinstance(kind, inspect.TupleType):
        return len(data) == len(kind.item_types)
    return len(data) >= (kind.min_length or 0)


def _fits(data: object, kind: inspect.Type) -> bool:
    if isinstance(kind, inspect.Metadata):
        kind = kind.type
    match kind:
        case inspect.FloatType() | inspect.IntType():
            return _is_number(data, kind)
        case inspect.StrType():
            return (
                isinstance(data, str)
                and not SURROGATES.search(data)
                and len(data) >= (kind.min_length or 0)
                and bool(kind.pattern is None or fullmatch(kind.pattern, data))
            )
        case inspect.BoolType():
            return isinstance(data, bool)
        case inspect.EnumType():
            return isinstance(data, str) and data in {each.value for each in kind.cls}
        case inspect.LiteralType():
            return not isinstance(data, bool) and isinstance(data, (str, int)) and data in kind.values
        case inspect.DictType():
            return isinstance(data, Mapping)
        case _:
            return True


def _is_number(data: object, kind: inspect.FloatType | inspect.IntType) -> bool:
    if isinstance(data, bool) or not isinstance(data, (int, float)):
        return False
    if isinstance(kind, inspect.IntType) and not isinstance(data, int):
        return False
    try:
        value = float(data)
    except OverflowError:
        return False
    return (
        isfinite(value)
        and (kind.ge is None or value >= kind.ge)
        and (kind.gt is None or value > kind.gt)
        and (kind.le is None or value <= kind.le)
    )


def _wanted(kind: inspect.Type) -> str:
    """Return what a value must be, in words."""
    if isinstance(kind, inspect.Metadata):
        kind = kind.type
    match kind:
        case inspect.FloatType() | inspect.IntType():
            noun = "a number" if isinstance(kind, inspect.FloatType) else "a whole number"
            below = kind.ge is not None and kind.le is not None and kind.ge == -kind.le
            limits = [
                f"above {kind.gt:g}" if kind.gt is not None else "",
                f"of at least {kind.ge:g}" if kind.ge is not None and not below else "",
                f"of at most {kind.le:g}" if kind.le is not None else "",
            ]
            return " ".join([noun, " and ".join(limit for limit in limits if limit)]).strip()
        case inspect.StrType():
            return (
                "text of another form"
                if kind.pattern
                else "text that is not empty"
                if kind.min_length
                else "text"
            )
        case inspect.BoolType():
            return "true or false"
        case inspect.EnumType():
            return _either([each.value for each in kind.cls])
        case inspect.LiteralType():
            return _either(kind.values)
        case inspect.TupleType():
            return f"a list of {len(kind.item_types)} numbers"
        case inspect.VarTupleType():
            return f"a list of {kind.min_length} or more" if kind.min_length else "a list"
        case _:
            return "a table of named values"


def _either(values: Sequence[object]) -> str:
    *most, last = map(str, values)
    return f"{', '.join(most)} or {last}" if most else last


def _called(name: str) -> str:
    return f'"{name}"'


def _shown(data: object) -> str:
    try:
        text = json.dumps(data, ensure_ascii=False, default=str)
    except (ValueError, RecursionError):
        return "no value that can be shown"
    return text if len(text) <= MOST_SHOWN else f"{text[:MOST_SHOWN]}…"
