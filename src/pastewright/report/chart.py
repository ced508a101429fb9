"""A chart's frame as SVG text: axes with round numbers, lines, bars, marks and a legend.

Drawn by hand because the plotting library takes longer to load than a board takes to plan (measured: 0.4 s of 1.5);
plots that are not part of every plan use it (see `plot_svg`).
"""

import math
from collections.abc import Sequence
from dataclasses import dataclass, field
from html import escape

from pastewright.decimals import short

INK = "#1c2a24"
SOFT = "#5d6f66"
WIDTH_PX, LETTER_PX = (
    690.0,
    12.0,
)  # a column of text in the report; letters that can be read there on a telephone
LETTER_WIDE = 0.56  # of a letter's height, about that of common sans-serif fonts
MARK_PX = 4.0
ROUND = (1, 2, 2.5, 5, 10)  # steps between numbers on an axis, times a power of ten


def round_ticks(low: float, high: float, *, most: int) -> list[float]:
    """Return one to `most` (≥ 4) evenly spaced round numbers from `low` to `high`."""
    if not high > low:
        return [low]
    raw = (high - low) / (most - 1)
    power = 10.0 ** math.floor(math.log10(raw))
    step = power * next(each for each in ROUND if each * power >= raw * (1 - 1e-9))
    first, last = math.ceil(low / step - 1e-9), math.floor(high / step + 1e-9)
    return [number * step for number in range(first, last + 1)]


@dataclass(slots=True, kw_only=True)
class Chart:
    """A frame of `height_px` whose x and y axes run over these ranges; `names` label whole y from 0 instead of numbers.

    The one mutable value here: elements are added to it, then `svg` tells it whole.
    """

    x: tuple[float, float]
    y: tuple[float, float]
    height_px: float
    x_words: str
    y_words: str = ""
    names: Sequence[str] = ()
    _body: list[str] = field(default_factory=list)
    _legend: list[tuple[str, str]] = field(default_factory=list)

    @property
    def left_px(self) -> float:
        """Return what the labels of the y axis need."""
        longest = max((len(name) for name in self.names), default=6)
        return 14 + LETTER_PX * (LETTER_WIDE * longest + (1.6 if self.y_words else 0))

    @property
    def below_px(self) -> float:
        """Return what the numbers and words under the x axis need."""
        return 3.6 * LETTER_PX

    def across(self, value: float) -> float:
        """Return the picture's x [px] of a value."""
        low, high = self.x
        return self.left_px + (WIDTH_PX - self.left_px - 12) * (value - low) / ((high - low) or 1.0)

    def down(self, value: float) -> float:
        """Return the picture's y [px] of a value."""
        low, high = self.y
        whole = self.height_px - self.below_px - 8
        return 8 + whole * (1 - (value - low) / ((high - low) or 1.0))

    def line(self, points: Sequence[tuple[float, float]], look: str, words: str = "") -> None:
        """Add a line through points; `look` are its attributes, `words` its place in the legend."""
        path = " ".join(f"{short(self.across(x), 1)},{short(self.down(y), 1)}" for x, y in points)
        self._body.append(f'<polyline points="{path}" fill="none" {look}/>')
        if words:
            self._legend.append((f'<line x1="0" x2="22" {look}/>', words))

    def level(self, value: float, look: str, words: str) -> None:
        """Add a line across at a height."""
        self.line([(self.x[0], value), (self.x[1], value)], look, words)

    def band(self, low: float, high: float, colour: str, words: str) -> None:
        """Add a band from top to bottom between two x."""
        left, right = self.across(low), self.across(high)
        top, bottom = self.down(self.y[1]), self.down(self.y[0])
        shape = f'height="{short(bottom - top, 1)}" fill="{colour}"/>'
        self._body.append(
            f'<rect x="{short(left, 1)}" y="{short(top, 1)}" width="{short(right - left, 1)}" {shape}'
        )
        self._legend.append((f'<rect y="-5" width="22" height="10" fill="{colour}"/>', words))

    def mark(self, x: float, y: float, shape: str, colour: str) -> None:
        """Add a mark: `round` or `turned`, a square on its corner."""
        self._body.append(_mark(self.across(x), self.down(y), shape, colour))

    def explain(self, shape: str, colour: str, words: str) -> None:
        """Add a mark to the legend."""
        self._legend.append((_mark(11, 0, shape, colour), words))

    def svg(self, said: str) -> str:
        """Return the chart as SVG text; `said` tells a screen reader what it is."""
        rows, legend_px = self._told()
        height = self.height_px + legend_px
        text = f'font-family="system-ui,sans-serif" font-size="{short(LETTER_PX)}" fill="{INK}"'
        return (
            f'<svg xmlns="http://www.w3.org/2000/svg" viewBox="0 0 {short(WIDTH_PX)} {short(height)}" role="img"'
            f' aria-label="{escape(said)}"><g {text}>{"".join(self._axes())}{"".join(self._body)}{rows}</g></svg>'
        )

    def _axes(self) -> list[str]:
        left, right = self.across(self.x[0]), self.across(self.x[1])
        top, bottom = self.down(self.y[1]), self.down(self.y[0])
        parts = [
            f'<path d="M{short(left, 1)} {short(top, 1)}V{short(bottom, 1)}H{short(right, 1)}" fill="none" stroke="{SOFT}"/>'
        ]
        for tick in round_ticks(*self.x, most=8):
            at = short(self.across(tick), 1)
            parts.append(f'<path d="M{at} {short(bottom, 1)}v4" stroke="{SOFT}"/>')
            parts.append(
                f'<text x="{at}" y="{short(bottom + 1.5 * LETTER_PX, 1)}" text-anchor="middle">{short(tick)}</text>'
            )
        heights = (
            list(enumerate(self.names))
            if self.names
            else [(t, short(t)) for t in round_ticks(*self.y, most=6)]
        )
        for tick, name in heights:
            at_y = self.down(tick)
            parts.append(f'<path d="M{short(left, 1)} {short(at_y, 1)}h-4" stroke="{SOFT}"/>')
            place = f'x="{short(left - 7, 1)}" y="{short(at_y + 0.35 * LETTER_PX, 1)}"'
            parts.append(f'<text {place} text-anchor="end">{escape(name)}</text>')
        middle = short((left + right) / 2, 1)
        parts.append(
            f'<text x="{middle}" y="{short(bottom + 3 * LETTER_PX, 1)}" text-anchor="middle">{escape(self.x_words)}</text>'
        )
        if self.y_words:
            turned = f'transform="translate({short(LETTER_PX)} {short((top + bottom) / 2, 1)}) rotate(-90)"'
            parts.append(f'<text {turned} text-anchor="middle">{escape(self.y_words)}</text>')
        return parts

    def _told(self) -> tuple[str, float]:
        """Return the legend's elements, and what it is high [px]; rows are filled from the left."""
        x, row, parts = self.left_px, 0, []
        for swatch, words in self._legend:
            wide = 30 + LETTER_WIDE * LETTER_PX * len(words) + 18
            if x + wide > WIDTH_PX and x > self.left_px:
                x, row = self.left_px, row + 1
            y = self.height_px + (row + 0.8) * 1.5 * LETTER_PX
            parts.append(
                f'<g transform="translate({short(x, 1)} {short(y, 1)})">{swatch}'
                f'<text x="29" y="{short(0.35 * LETTER_PX)}">{escape(words)}</text></g>'
            )
            x += wide
        return "".join(parts), (row + 1.4) * 1.5 * LETTER_PX if self._legend else 0.0


def _mark(x: float, y: float, shape: str, colour: str) -> str:
    place = f"{short(x, 1)} {short(y, 1)}"
    if shape == "round":
        return f'<circle r="{short(MARK_PX)}" transform="translate({place})" fill="{colour}"/>'
    side, half = short(1.6 * MARK_PX), short(-0.8 * MARK_PX)
    turned = f'width="{side}" height="{side}" transform="translate({place}) rotate(45)"'
    return f'<rect x="{half}" y="{half}" {turned} fill="{colour}"/>'
