"""What covers what: boxes by their sides, held against the geometry library's own answer."""

import numpy as np
import shapely
from hypothesis import given
from hypothesis import strategies as st
from shapely.affinity import rotate
from shapely.geometry import MultiPolygon, Point, Polygon, box
from shapely.geometry.base import BaseGeometry

from pastewright.board.shapes.covering import covers
from pastewright.board.shapes.islands import shape_array

STEPS = st.integers(0, 6)


@st.composite
def shapes(draw: st.DrawFn) -> BaseGeometry:
    """A box, a box with a corner off, a turned box, a disc, a frame, or two boxes, on a grid so coarse that edges meet."""
    x, y, width, height = draw(STEPS), draw(STEPS), draw(st.integers(1, 4)), draw(st.integers(1, 4))
    whole = box(x, y, x + width, y + height)
    cut = Polygon([(x, y), (x + width, y), (x + width, y + height), (x, y + height / 2)])
    frame = whole.difference(box(x + 0.25, y + 0.25, x + width - 0.25, y + height - 0.25))
    two = MultiPolygon([box(x, y, x + 1, y + 1), box(x + 2, y, x + 3, y + 1)])
    disc = Point(x, y).buffer(width)
    along_edge = Polygon(
        [(x, y), (x + width / 2, y), (x + width, y), (x + width, y + height), (x, y + height)]
    )
    return draw(st.sampled_from([whole, whole, cut, rotate(whole, 30), disc, frame, two, along_edge]))


@given(pairs=st.lists(st.tuples(shapes(), shapes()), min_size=1, max_size=20))
def test_covering_is_as_the_geometry_library_says(pairs: list[tuple[BaseGeometry, BaseGeometry]]) -> None:
    grounds, laid = (shape_array(list(each)) for each in zip(*pairs, strict=True))
    assert np.array_equal(covers(grounds, laid), shapely.covers(grounds, laid))


def test_nothing_covers_nothing() -> None:
    assert len(covers(shape_array([]), shape_array([]))) == 0
