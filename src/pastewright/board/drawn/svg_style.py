"""What applies to an SVG element: lengths, transforms and style, from attributes and simple style sheets.

Style sheets may select by `*`, element, `.class`, `#id` and `element.class`; anything more is noted and left
out, since half-understood rules would hide or show the wrong shapes.
"""

import re
from collections.abc import Mapping
from dataclasses import dataclass, field
from math import cos, inf, isfinite, radians, sin, sqrt, tan

Matrix = tuple[float, float, float, float, float, float]
"""a, b, c, d, e, f as in SVG: x' = a·x + c·y + e, y' = b·x + d·y + f."""

IDENTITY: Matrix = (1.0, 0.0, 0.0, 1.0, 0.0, 0.0)

# CSS Values and Units: 1 in = 25.4 mm = 96 px = 72 pt = 6 pc; Q is a quarter of a millimetre.
UNIT_MM = {
    "mm": 1.0,
    "cm": 10.0,
    "in": 25.4,
    "px": 25.4 / 96,
    "": 25.4 / 96,
    "pt": 25.4 / 72,
    "pc": 25.4 / 6,
    "q": 0.25,
}
_NUMBER = r"[-+]?(?:[0-9]+\.?[0-9]*|\.[0-9]+)(?:[eE][-+]?[0-9]+)?"
_LENGTH = re.compile(rf"\s*({_NUMBER})\s*([a-zA-Z]*|%)\s*")
_STEP = re.compile(r"\s*,?\s*([a-zA-Z]+)\s*\(([^()]*)\)")
_NUMBERS = re.compile(_NUMBER)
_SEPARATED = re.compile(rf"\s*(?:{_NUMBER}(?:\s*,\s*|\s+|(?=[-+.]))?)*\s*")
_ARGUMENTS = {
    "matrix": (6,),
    "translate": (1, 2),
    "scale": (1, 2),
    "rotate": (1, 3),
    "skewX": (1,),
    "skewY": (1,),
}


class NotSvgError(ValueError):
    """A value that does not read as SVG asks; the message says which."""


def times(m: Matrix, n: Matrix) -> Matrix:
    """Return m·n: n is applied first."""
    a, b, c, d, e, f = m
    p, q, r, s, t, u = n
    return (
        a * p + c * q,
        b * p + d * q,
        a * r + c * s,
        b * r + d * s,
        a * t + c * u + e,
        b * t + d * u + f,
    )


def scale_of(m: Matrix) -> float:
    """Return the factor on lengths, √|det|; exact where the matrix does not distort."""
    return sqrt(abs(m[0] * m[3] - m[1] * m[2]))


def numbers(text: str) -> list[float]:
    """Return the numbers of a list such as `points`; raises `NotSvgError` for anything else in it."""
    if not _SEPARATED.fullmatch(text):
        raise NotSvgError(f"{text[:40]!r} is no list of numbers")
    return [_finite(word) for word in _NUMBERS.findall(text)]


def _finite(word: str) -> float:
    value = float(word)
    if not isfinite(value) or abs(value) > 1e9:
        raise NotSvgError(f"{word[:20]} is too large")
    return value


def length(text: str, *, whole: float) -> float:
    """Return a length in user units; `whole` is what 100 % means. Raises `NotSvgError`."""
    value, unit = length_and_unit(text)
    if unit == "%":
        return value / 100 * whole
    return value if unit in ("", "px") else value * UNIT_MM[unit] / UNIT_MM["px"]


def length_and_unit(text: str) -> tuple[float, str]:
    """Return number and unit ("" for none, "%") of a length; raises `NotSvgError`."""
    found = _LENGTH.fullmatch(text)
    unit = found[2].lower() if found else ""
    if found is None or (unit not in UNIT_MM and unit != "%"):
        raise NotSvgError(f"{text[:40]!r} is no length; use mm, cm, in, pt, px or plain numbers")
    return _finite(found[1]), unit


def transform(text: str) -> Matrix:
    """Return the matrix of a `transform`; raises `NotSvgError` when it cannot be read to its end."""
    total, at = IDENTITY, 0
    text = text.strip()
    if text == "none":
        return IDENTITY
    while at < len(text):
        found = _STEP.match(text, at)
        if found is None or found[1] not in _ARGUMENTS:
            raise NotSvgError(f"the transform {text[at : at + 40]!r} cannot be read")
        values = numbers(found[2])
        if len(values) not in _ARGUMENTS[found[1]]:
            raise NotSvgError(f"{found[1]} takes {_ARGUMENTS[found[1]]} numbers, not {len(values)}")
        total = times(total, _step(found[1], values))
        at = found.end()
        while at < len(text) and text[at] in " \t\r\n,":
            at += 1
    return total


def _step(name: str, v: list[float]) -> Matrix:
    match name:
        case "matrix":
            return v[0], v[1], v[2], v[3], v[4], v[5]
        case "translate":
            return 1.0, 0.0, 0.0, 1.0, v[0], v[1] if len(v) > 1 else 0.0
        case "scale":
            return v[0], 0.0, 0.0, v[1] if len(v) > 1 else v[0], 0.0, 0.0
        case "skewX":
            return 1.0, 0.0, tan(radians(v[0])), 1.0, 0.0, 0.0
        case "skewY":
            return 1.0, tan(radians(v[0])), 0.0, 1.0, 0.0, 0.0
    c, s = _turn(v[0])
    turn = (c, s, -s, c, 0.0, 0.0)
    if len(v) == 1:
        return turn
    there, back = (1.0, 0.0, 0.0, 1.0, v[1], v[2]), (1.0, 0.0, 0.0, 1.0, -v[1], -v[2])
    return times(times(there, turn), back)


def _turn(angle_deg: float) -> tuple[float, float]:
    """Return cosine and sine; quarter turns are exact."""
    quarter = {0.0: (1.0, 0.0), 90.0: (0.0, 1.0), 180.0: (-1.0, 0.0), 270.0: (0.0, -1.0)}
    angle = angle_deg % 360.0
    return quarter.get(angle, (cos(radians(angle)), sin(radians(angle))))


def view_box(text: str) -> tuple[float, float, float, float] | None:
    """Return a `viewBox` (x, y, width, height); None when it has no area."""
    values = numbers(text)
    if len(values) != 4:
        raise NotSvgError(f"a viewBox has four numbers, not {len(values)}")
    x, y, width, height = values
    return (x, y, width, height) if width > 0 and height > 0 else None


def fitted(box: tuple[float, float, float, float], width: float, height: float, how: str) -> Matrix:
    """Return the matrix that fits a view box into `width` × `height`, as `preserveAspectRatio` `how` says."""
    x, y, w, h = box
    sx, sy = width / w, height / h
    words = how.split() or ["xMidYMid"]
    align = words[1] if words[0] == "defer" and len(words) > 1 else words[0]
    if align != "none":
        sx = sy = max(sx, sy) if "slice" in words else min(sx, sy)
    part = {"Min": 0.0, "Mid": 0.5, "Max": 1.0}
    px, py = part.get(align[1:4], 0.5), part.get(align[5:8], 0.5)
    free_x, free_y = (0.0, 0.0) if align == "none" else (width - w * sx, height - h * sy)
    return sx, 0.0, 0.0, sy, px * free_x - x * sx, py * free_y - y * sy


# ---- style

INHERITED = (
    "fill",
    "stroke",
    "stroke-width",
    "stroke-linecap",
    "stroke-linejoin",
    "stroke-dasharray",
    "fill-rule",
    "clip-rule",
    "visibility",
    "color",
    "fill-opacity",
    "stroke-opacity",
)
OWN = ("display", "opacity", "clip-path", "mask", "filter", "vector-effect")
_KNOWN = frozenset((*INHERITED, *OWN))
_COMMENT = re.compile(r"/\*.*?\*/|<!--|-->", re.S)
_RULE = re.compile(r"([^{}]*)\{([^{}]*)\}")
_SELECTOR = re.compile(r"(\*|[A-Za-z][\w-]*)?((?:[.#][\w-]+)*)")


@dataclass(slots=True)
class StyleSheet:
    """Rules by selector, and what selectors were not understood."""

    rules: list[tuple[tuple[int, int], str, frozenset[str], str, Mapping[str, str]]] = field(
        default_factory=list
    )
    strange: list[str] = field(default_factory=list)

    def add(self, text: str) -> None:
        """Take in the rules of one style element."""
        for found in _RULE.finditer(_COMMENT.sub(" ", text)):
            declared = declarations(found[2])
            if not declared:
                continue
            for selector in found[1].split(","):
                self._rule(selector.strip(), declared)

    def _rule(self, selector: str, declared: Mapping[str, str]) -> None:
        found = _SELECTOR.fullmatch(selector)
        if found is None or not selector:
            if selector and not selector.startswith("@font-face"):
                self.strange.append(selector[:60])
            return
        tag = found[1] or "*"
        names = re.findall(r"[.#][\w-]+", found[2])
        ids = [name[1:] for name in names if name[0] == "#"]
        classes = frozenset(name[1:] for name in names if name[0] == ".")
        weight = 100 * len(ids) + 10 * len(classes) + (tag != "*")
        self.rules.append(((weight, len(self.rules)), tag, classes, ids[0] if ids else "", declared))

    def of(self, tag: str, attributes: Mapping[str, str]) -> dict[str, str]:
        """Return what the rules say of an element, the more specific and the later winning."""
        if not self.rules:
            return {}
        classes = frozenset(attributes.get("class", "").split())
        own_id = attributes.get("id", "")
        hits = [
            (rank, declared)
            for rank, rule_tag, rule_classes, rule_id, declared in self.rules
            if rule_tag in ("*", tag) and rule_classes <= classes and rule_id in ("", own_id)
        ]
        style: dict[str, str] = {}
        for _rank, declared in sorted(hits, key=lambda hit: hit[0]):
            style.update(declared)
        return style


def declarations(text: str) -> dict[str, str]:
    """Return the properties of a style attribute that matter here; the rest is dropped."""
    found: dict[str, str] = {}
    for part in text.split(";"):
        name, mark, value = part.partition(":")
        name = name.strip().lower()
        if mark and name in _KNOWN:
            found[name] = value.replace("!important", "").strip()
    return found


def style_of(
    tag: str, attributes: Mapping[str, str], inherited: Mapping[str, str], sheet: StyleSheet
) -> dict[str, str]:
    """Return the style in force at an element: inherited, then attributes, rules and the style attribute."""
    style = {name: value for name, value in inherited.items() if name in INHERITED}
    own = {name: attributes[name].strip() for name in _KNOWN if name in attributes}
    own.update(sheet.of(tag, attributes))
    own.update(declarations(attributes.get("style", "")))
    for name, value in own.items():
        if value == "inherit":
            own[name] = inherited.get(name, "")
    style.update({name: value for name, value in own.items() if value})
    return style


def is_painted(style: Mapping[str, str], what: str) -> bool:
    """Tell whether `what` ("fill" or "stroke") leaves anything to see."""
    colour = style.get(what, "black" if what == "fill" else "none").lower()
    if colour == "currentcolor":
        colour = style.get("color", "black").lower()
    if colour in ("none", "transparent") or re.fullmatch(r"rgba\(.*,\s*0(?:\.0*)?%?\s*\)", colour):
        return False
    return all(_part(style.get(name, "1")) > 0 for name in (f"{what}-opacity", "opacity"))


def is_white(style: Mapping[str, str]) -> bool:
    """Tell whether an element is filled with white, which on paper looks like nothing."""
    colour = style.get("fill", "black").lower().replace(" ", "")
    return colour in ("white", "#fff", "#ffffff", "rgb(255,255,255)", "rgb(100%,100%,100%)")


def _part(text: str) -> float:
    found = _LENGTH.fullmatch(text)
    if found is None:
        return 1.0
    value = float(found[1])
    return value if value < inf else 1.0
