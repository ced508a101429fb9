"""Plots as SVG text: the one place that draws with a plotting library, which is imported only when something is drawn.

The text is the same from run to run, has no date, no metadata and no comment of the library, and keeps its words as
words, so that they can be searched and scale with the picture.
"""

import io
import re
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from matplotlib.axes import Axes
    from matplotlib.figure import Figure

_SIZE = re.compile(r'\s(?:width|height)="[^"]*"')


def panels(count: int, *, width_in: float, height_in: float) -> "tuple[Figure, tuple[Axes, ...]]":
    """Return a figure with so many axes, one above the other, without the lines that frame nothing."""
    from matplotlib.figure import Figure

    figure = Figure(figsize=(width_in, height_in), layout="constrained")
    axes = tuple(figure.add_subplot(count, 1, place + 1) for place in range(count))
    for each in axes:
        each.spines[["top", "right"]].set_visible(False)
    return figure, axes


def svg_text(figure: "Figure", *, inline: bool = False) -> str:
    """Return a figure as SVG; `inline` for a page, which says how wide it is and what lies beneath."""
    import matplotlib as mpl

    buffer = io.StringIO()
    nothing = dict.fromkeys(("Creator", "Date", "Format", "Type"))
    with mpl.rc_context({"svg.fonttype": "none", "svg.hashsalt": "pastewright", "font.family": "sans-serif"}):
        figure.savefig(buffer, format="svg", transparent=inline, metadata=nothing)
    text = buffer.getvalue()
    body = text[text.index("<svg") :].replace('id="matplotlib.', 'id="')
    head, mark, rest = body.partition(">")
    return (_SIZE.sub("", head) if inline else head) + mark + rest
