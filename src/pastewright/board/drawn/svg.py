"""An SVG drawing (1.1 or 2) to a `Artwork`: filled shapes become pads, stroked lines beads along them.

The root's width, height and viewBox give the unit; a drawing in pixels, or without a size, is asked about.
Layers are groups by label (inkscape:label, else id). Text and images are left out with a note. Nothing is ever
fetched: only `use` within the file is followed. Coordinates of the result: mm from the page's lower left corner.
"""

from pastewright.board.artwork import Artwork
from pastewright.board.ask import Ask
from pastewright.board.drawn.sketch_artwork import artwork_of_sketch
from pastewright.board.drawn.svg_style import UNIT_MM, Matrix, NotSvgError, fitted, length_and_unit, view_box
from pastewright.board.drawn.svg_walk import Walker
from pastewright.board.drawn.things import Sketch
from pastewright.board.source.files import SourceFile
from pastewright.board.source.safe_xml import Node, parse_xml
from pastewright.board.source.units import unit_mm
from pastewright.problems import InputError, Problem, Severity, one_error

MOST_BYTES = 64 * 2**20
"""Ten times the largest board drawings (from memory)."""
WHAT = "SVG drawing"


def read_svg(file: SourceFile, ask: Ask) -> Artwork:
    """Return one side of what an SVG draws; raises `InputError` with all that is wrong with it."""
    return artwork_of_sketch(svg_drawing(file, units=ask.units), ask)


def svg_drawing(file: SourceFile, *, units: str = "") -> Sketch:
    """Return the shapes of an SVG [mm, y up from the page's lower edge]; `units` is that of its user units."""
    if len(file.data) > MOST_BYTES:
        what = f"is {len(file.data) / 2**20:.0f} MB; an SVG may have {MOST_BYTES // 2**20} MB"
        raise one_error(what, "Leave out what is no paste.", file=file.name)
    root = parse_xml(file.data, file.name)
    if root.tag != "svg":
        raise one_error(f"its root element is <{root.tag}>, not <svg>", "Give an SVG.", file=file.name)
    problems: list[Problem] = []
    try:
        matrix, size = _page(root, units, file.name, problems)
    except NotSvgError as error:
        raise one_error(str(error), "Mend the size of the drawing.", file=file.name, line=root.line) from None
    walker = Walker(file.name, root, matrix, size)
    walker.walk()
    if walker.errors:
        raise InputError(walker.errors)
    return Sketch(
        file=file.name, what=WHAT, things=tuple(walker.things), problems=(*problems, *walker.notes())
    )


def _page(root: Node, units: str, file: str, problems: list[Problem]) -> tuple[Matrix, tuple[float, float]]:
    """Return the matrix from root user units to mm (y up), and the size of the viewport in user units."""
    box = view_box(root.attributes["viewBox"]) if root.attributes.get("viewBox", "").strip() else None
    lengths = [_length(root, name) for name in ("width", "height")]
    if units:
        mm = unit_mm(units, file)
        x, y, w, h = box or (
            0.0,
            0.0,
            lengths[0][0] if lengths[0] else 0.0,
            lengths[1][0] if lengths[1] else 0.0,
        )
        return (mm, 0.0, 0.0, -mm, -x * mm, (y + h) * mm), (w, h)
    absolute = [each for each in lengths if each is not None and each[1] != "%"]
    if not absolute:
        raise one_error(
            "the drawing has no size: neither width nor height is a length",
            "Set its width and height in mm in the drawing program, or say what one unit is with --units mm.",
            file=file,
            line=root.line,
        )
    width_mm, height_mm = (
        each[0] * UNIT_MM[each[1]] if each is not None and each[1] != "%" else None for each in lengths
    )
    if any((value is not None and value <= 0) for value in (width_mm, height_mm)):
        raise NotSvgError("the drawing's width or height is zero or less")
    if box is None:
        if width_mm is None or height_mm is None:
            width_mm = height_mm = width_mm or height_mm or 0.0
        px = UNIT_MM["px"]
        # The specification counts user units as 1/96 inch here; programs of other resolutions did not.
        _pixels(width_mm, height_mm, absolute, file, root.line, problems, always=True)
        return (px, 0.0, 0.0, -px, 0.0, height_mm), (width_mm / px, height_mm / px)
    if width_mm is None:
        width_mm = (height_mm or 0.0) * box[2] / box[3]
    if height_mm is None:
        height_mm = width_mm * box[3] / box[2]
    _pixels(width_mm, height_mm, absolute, file, root.line, problems, always=False)
    a, b, c, d, e, f = fitted(box, width_mm, height_mm, root.attributes.get("preserveAspectRatio", ""))
    return (a, -b, c, -d, e, height_mm - f), (box[2], box[3])


def _length(root: Node, name: str) -> tuple[float, str] | None:
    text = root.attributes.get(name, "").strip()
    return length_and_unit(text) if text and text != "auto" else None


def _pixels(
    width_mm: float,
    height_mm: float,
    lengths: list[tuple[float, str]],
    file: str,
    line: int,
    problems: list[Problem],
    *,
    always: bool,
) -> None:
    if not always and not any(unit in ("", "px") for _, unit in lengths):
        return
    what = (
        f"the drawing counts in pixels, taken as 1/96 inch: the page is {width_mm:.2f} × {height_mm:.2f} mm"
    )
    mend = (
        "If that is not its size, say what one unit is with --units, or set width, height and viewBox in mm."
    )
    problems.append(Problem(what=what, mend=mend, severity=Severity.WARNING, file=file, line=line))
