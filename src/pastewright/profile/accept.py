"""One raw value against its key: the value in the file's unit, or an `InputError` that says how to mend it."""

import re
from math import inf, isfinite, isinf
from typing import Any

from pastewright.materials.tables import nearest
from pastewright.problems import InputError, one_error
from pastewright.profile.keys import Key, KeyKind, Value

_NUMBER_WITH_UNIT = re.compile(r"\s*([-+]?[0-9]*\.?[0-9]+(?:[eE][-+]?[0-9]+)?)\s*(\S.*)?$", re.DOTALL)


def accepted(key: Key, raw: Any) -> Value:
    """Return the value that `raw` (as parsed from TOML) gives `key`."""
    match key.kind:
        case KeyKind.NUMBER | KeyKind.INTEGER:
            return _number(key, raw)
        case KeyKind.TEXT:
            if isinstance(raw, str):
                return _text(key, raw)
            raise _wrong_type(key, raw, f'Write it in quotes: {key.name} = "{_short(raw)}".')
        case KeyKind.CHOICE:
            return _choice(key, raw)
        case KeyKind.YES_NO:
            if isinstance(raw, bool):
                return raw
            raise _wrong_type(key, raw, "Write true or false, without quotes.")
        case KeyKind.PAIRS:
            return _pairs(key, raw)
        case KeyKind.PLACE:
            return _place(key, raw)
        case KeyKind.LIST:
            if isinstance(raw, list):
                return tuple(raw)
            raise _wrong_type(key, raw, f"Write {key.name} = [{key.comment}].")


def _number(key: Key, raw: Any) -> float | int:
    if isinstance(raw, str):
        raise _wrong_type(key, raw, _text_for_number_mend(key, raw))
    if isinstance(raw, bool) or not isinstance(raw, int | float):
        raise _wrong_type(key, raw, f"Write a number, {key.accepts}.")
    number = _real(raw)
    if key.kind is KeyKind.INTEGER and isfinite(number) and not number.is_integer():
        raise _wrong_type(key, raw, f"Write a whole number, {key.accepts}.")
    if not key.low <= number <= key.high:
        raise one_error(f"{key.path} is {_short(raw)}; it must be {key.accepts}", _range_mend(key, number))
    return int(number) if key.kind is KeyKind.INTEGER else number


def _real(raw: float | int) -> float:
    """Return a number as a float; TOML's whole numbers have no end, and far outside every range is far enough."""
    return float(raw) if isinstance(raw, float) or abs(raw) < 10**15 else inf if raw > 0 else -inf


def _text(key: Key, raw: str) -> str:
    # Texts end up in comments of programs and in reports, one line each.
    if raw != raw.strip() or not raw.isprintable() or len(raw) > 200:
        raise one_error(
            f"{key.path} must be one line of at most 200 letters, without blanks at its ends",
            f"Shorten it: {key.name} = {_short(' '.join(raw.split()))!r}.",
        )
    return raw


def _choice(key: Key, raw: Any) -> str:
    if isinstance(raw, str) and raw in key.choices:
        return raw
    close = nearest(str(raw), key.choices)
    mend = f'Did you mean "{close}"?' if close else f'For example {key.name} = "{key.choices[0]}".'
    raise one_error(f"{key.path} is {_short(raw)!r}; it must be {key.accepts}", mend)


def _pairs(key: Key, raw: Any) -> tuple[tuple[float, float], ...]:
    shaped = isinstance(raw, list) and all(
        isinstance(pair, list)
        and len(pair) == 2
        and all(isinstance(part, int | float) and not isinstance(part, bool) for part in pair)
        for pair in raw
    )
    if not shaped or not raw:
        raise _wrong_type(key, raw, "Write pairs: [[0.5, 65], [1.0, 98]].")
    pairs = tuple((_real(ratio), _real(percent)) for ratio, percent in raw)
    for ratio, percent in pairs:
        if not (0 < ratio <= 100 and key.low <= percent <= key.high):
            raise one_error(
                f"{key.path} holds [{_short(ratio)}, {_short(percent)}]; an area ratio is above 0 and at most "
                f"100, an efficiency {key.accepts}",
                _range_mend(key, percent),
            )
    return pairs


def _place(key: Key, raw: Any) -> tuple[float, float]:
    shaped = (
        isinstance(raw, list)
        and len(raw) == 2
        and all(isinstance(part, int | float) and not isinstance(part, bool) for part in raw)
    )
    if not shaped:
        raise _wrong_type(key, raw, f"For example {key.name} = [10.0, 60.0].")
    x, y = _real(raw[0]), _real(raw[1])
    if not all(key.low <= part <= key.high for part in (x, y)):
        raise one_error(
            f"{key.path} is [{_short(x)}, {_short(y)}]; it must be {key.accepts}", "Give both in mm."
        )
    return x, y


def _text_for_number_mend(key: Key, raw: str) -> str:
    found = _NUMBER_WITH_UNIT.match(raw)
    if not found:
        return f"Write a number, {key.accepts}."
    number, unit = found.groups()
    if unit and key.unit:
        return f"Write the bare number in {key.unit}: {key.name} = {number}, if {number} {key.unit} is meant."
    return f"Write a number, {key.accepts}." if unit else f"Write it without quotes: {key.name} = {number}."


def _range_mend(key: Key, raw: float) -> str:
    if key.unit in ("%", "wt%") and 0 < raw <= 1.5 and key.low <= raw * 100 <= key.high:
        return f"This is in percent: write {raw * 100:g} for {raw:g}."
    if key.unit and key.scale in (1000, 0.001) and isfinite(raw):
        for factor, word in ((1000.0, "large"), (0.001, "small")):
            if key.low <= raw / factor <= key.high:
                return f"The unit here is {key.unit}: the number looks a thousand times too {word}."
    return f"Write a number, {key.accepts}."


def _wrong_type(key: Key, raw: Any, mend: str) -> InputError:
    words = {KeyKind.PAIRS: "pairs of numbers", KeyKind.PLACE: "a place [x, y]"}.get(
        key.kind, f"a {key.kind.value}"
    )
    wanted = "true or false" if key.kind is KeyKind.YES_NO else "text" if key.kind is KeyKind.TEXT else words
    return one_error(f"{key.path} must be {wanted}, not {_type_word(raw)}", mend)


def _type_word(raw: Any) -> str:
    if isinstance(raw, str):
        return f"text ({_short(raw)!r})"
    if isinstance(raw, bool):
        return str(raw).lower()
    if isinstance(raw, int | float):
        return _short(raw)
    return "a list" if isinstance(raw, list) else "a section" if isinstance(raw, dict) else "a date"


def _short(raw: Any) -> str:
    if isinstance(raw, int) and isinf(_real(raw)):
        return "a huge number"
    text = f"{raw:.10g}" if isinstance(raw, float) else str(raw)
    return text if len(text) <= 40 else text[:37] + "..."
