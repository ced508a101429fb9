"""What an SVG element says in words: its layer, its names and its volume."""

from collections.abc import Sequence

from pastewright.board.drawn.svg_shapes import SHAPES
from pastewright.board.drawn.svg_style import NotSvgError
from pastewright.board.roles.role_words import role_of_words, spaced
from pastewright.board.source.safe_xml import Node

MOST_UL = 1e4
"""A volume that no barrel of the trade holds (the largest take 55 ml, common practice) is a slip of the pen."""


def layer_of(node: Node, before: str) -> str:
    """Return the layer of a node: its group's label. Inner labels count where they name a known kind."""
    label = node.attributes.get("label") or node.attributes.get("id", "")
    if not label or node.tag not in ("g", "svg", *SHAPES):
        return before
    _role, told = role_of_words(spaced(label), gerber=True)
    words = spaced(label).split()
    known = bool(told) or any(word.startswith("fid") for word in words)
    if node.tag in SHAPES:
        return label if known else before
    return label if known or not before else before


def names_of(node: Node, before: Sequence[str]) -> tuple[str, str, str]:
    """Return part, pin and net from data-ref, data-pin and data-net, which groups hand down."""
    ref, pin, net = (
        " ".join(node.attributes.get(f"data-{name}", old).split())[:80]
        for name, old in zip(("ref", "pin", "net"), before, strict=True)
    )
    return ref, pin, net


def volume_of(node: Node) -> float | None:
    """Return the paste that a shape asks for [µL]; raises `NotSvgError` for anything else than a number above 0."""
    text = node.attributes.get("data-volume-ul", "").strip()
    if not text:
        return None
    try:
        value = float(text)
    except ValueError:
        value = -1.0
    if not 0 < value < MOST_UL:
        raise NotSvgError(f"data-volume-ul is {text[:20]!r}; it must be a number of µL above 0")
    return value
