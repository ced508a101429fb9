"""The frame of every picture: its size, its ground, its legend. What is in it, each picture says for itself.

One user unit is one millimetre and y runs up inside `picture`'s body. A picture that stands alone is given so many
pixels that its letters can be read whatever the board's size; a browser shows it as large as its window. In a page,
the page says how large it is.
"""

from collections.abc import Iterable, Sequence
from html import escape

from msgspec import Struct

from pastewright.decimals import short as _n

LONG_SIDE_PX = 1200.0  # of a picture that stands alone: most of a common screen
LETTERS_A_SIDE = 55.0  # heights of the legend's letters along the long side: about 22 px of 1200
LETTER_WIDTH = 0.6  # of its height, about that of common sans-serif fonts
LIGHT = "#e9efe9"


class Box(Struct, frozen=True, kw_only=True):
    """What a picture shows [mm], y up."""

    x0: float
    y0: float
    x1: float
    y1: float

    @property
    def letter_mm(self) -> float:
        """Height of letters that can be read on a picture of this box."""
        return max(self.x1 - self.x0, self.y1 - self.y0) / LETTERS_A_SIDE


def box_of(points: Iterable[tuple[float, float]], margin_mm: float) -> Box:
    """Return the box of points with a margin all round."""
    xs, ys = zip(*points, strict=True)
    return Box(x0=min(xs) - margin_mm, y0=min(ys) - margin_mm, x1=max(xs) + margin_mm, y1=max(ys) + margin_mm)


def picture(
    box: Box,
    body: Sequence[str],
    *,
    words: str,
    ground: str,
    ink: str = LIGHT,
    legend: Sequence[tuple[str, str]] = (),
    above: Sequence[str] = (),
    standalone: bool = True,
) -> str:
    """Return a picture as SVG text.

    `body` are elements with y up, `above` elements with y down (words stand upright there), `legend` pairs of a
    swatch's attributes and its words. `words` say to a screen reader what it is.
    """
    width = box.x1 - box.x0
    rows, legend_mm = _legend(legend, box, ink)
    height = box.y1 - box.y0 + legend_mm
    view = f"{_n(box.x0)} {_n(-box.y1)} {_n(width)} {_n(height)}"
    size = ""
    if standalone:
        scale = LONG_SIDE_PX / max(width, height)
        size = f' width="{_n(width * scale, 0)}" height="{_n(height * scale, 0)}" style="max-width:100%;height:auto"'
    return "\n".join(
        [
            f'<svg xmlns="http://www.w3.org/2000/svg" viewBox="{view}"{size} role="img"'
            f' aria-label="{escape(words, quote=True)}" font-family="sans-serif">',
            f'<rect x="{_n(box.x0)}" y="{_n(-box.y1)}" width="{_n(width)}" height="{_n(height)}" fill="{ground}"/>',
            '<g transform="scale(1 -1)">',
            *body,
            "</g>",
            *above,
            *rows,
            "</svg>",
        ]
    )


def _legend(entries: Sequence[tuple[str, str]], box: Box, ink: str) -> tuple[list[str], float]:
    """Swatches under the picture, in as many columns as its width holds, and the height they take [mm]."""
    if not entries:
        return [], 0.0
    size = box.letter_mm
    column = size * (2.4 + LETTER_WIDTH * max(len(words) for _, words in entries))
    per_row = max(1, int((box.x1 - box.x0 - size) / column))
    parts = []
    for index, (paint, words) in enumerate(entries):
        x = box.x0 + size * 0.8 + (index % per_row) * column
        y = -box.y0 + size * (0.9 + 1.5 * (index // per_row))
        parts.append(
            f'<rect x="{_n(x)}" y="{_n(y - size * 0.75)}" width="{_n(size)}" height="{_n(size * 0.8)}" {paint}/>'
            f'<text x="{_n(x + size * 1.4)}" y="{_n(y)}" font-size="{_n(size)}" fill="{ink}">{escape(words)}</text>'
        )
    return parts, size * (0.6 + 1.5 * -(-len(entries) // per_row))
