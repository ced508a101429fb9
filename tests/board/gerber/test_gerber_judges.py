"""Independent programs as judges: areas against gerbv's picture, objects against gerbonara's polygons.

gerbv (Debian package `gerbv`, 2.9.6 here) draws a PNG without a display; the area is the sum of its grey values. Its
window must be given, since its automatic one clips turned macros, and R flashes are rewritten as macros first, since
it shrinks those to an even number of pixels. It ignores AB, LR, LM and LS, misreads macros of one letter and a minus
sign before a variable (`-$3`; `0-$3` is right), strokes no macros, and turns circle and polygon primitives about
their own centre, so these are judged elsewhere, by closed forms.
"""

import re
import shutil
import subprocess

import numpy as np
import pytest
import shapely
from gerbonara import GerberFile
from matplotlib import image
from pytest import approx
from shapely.geometry.base import BaseGeometry

from pastewright.board.artwork import DrawnKind
from pastewright.board.gerber.read import dark_area, read_gerber

GERBV = shutil.which("gerbv")
needs_gerbv = pytest.mark.skipif(GERBV is None, reason="gerbv is not installed (apt-get install gerbv)")

MM = "%FSLAX34Y34*%\n%MOMM*%\n"
INCH = "%FSLAX25Y25*%\n%MOIN*%\n"

# Each draws within (0, 0) to (20, 20) mm.
DRAWINGS = {
    "discs and rectangles": MM + "%ADD10C,1.5*%%ADD11R,3X1.2*%%ADD12O,4X1.5*%%ADD13O,1X3*%%ADD14P,3X6X15.0*%"
    "D10*X30000Y30000D03*D11*X80000D03*D12*X140000D03*D13*X30000Y100000D03*D14*X80000D03*",
    "apertures with holes": MM + "%ADD10C,3X1*%%ADD11R,3X2X1*%%ADD12O,4X2X0.8*%%ADD13P,4X5X0X1.2*%"
    "D10*X30000Y30000D03*D11*X80000D03*D12*X140000D03*D13*X60000Y100000D03*",
    "round strokes": MM
    + "%ADD10C,0.8*%D10*X20000Y20000D02*G01X150000Y40000D01*Y150000D01*X20000Y20000D01*X100000Y20000D03*",
    "round strokes along arcs": MM
    + "%ADD10C,0.8*%G75*D10*X50000Y100000D02*G02X150000Y100000I50000J0D01*G03X130000Y100000I-10000J0D01*"
    "G02X130000Y100000I-20000J0D01*",
    "single quadrant arcs": MM
    + "%ADD10C,0.5*%G74*D10*X150000Y100000D02*G03X100000Y150000I50000J0D01*X50000Y100000I0J50000D01*"
    "X100000Y50000I50000J0D01*X150000Y100000I0J50000D01*G36*X110000Y100000D02*G02X100000Y90000I10000J0D01*"
    "G01Y100000D01*X110000D01*G37*",
    "a region with arcs and two contours": MM
    + "G75*G36*X20000Y20000D02*G01X100000D01*G03Y100000I0J40000D01*G01X20000D01*G02Y20000I0J-40000D01*"
    "X150000Y150000D02*G01X180000D01*Y180000D01*X150000Y150000D01*G37*",
    "clear over dark over clear": MM
    + "%ADD10C,8*%%ADD11C,5*%%ADD12C,2*%D10*X100000Y100000D03*%LPC*%D11*X110000D03*%LPD*%D12*X120000D03*"
    "%LPC*%G36*X60000Y60000D02*X80000D01*Y140000D01*X60000D01*Y60000D01*G37*",
    "step and repeat closed by SR": MM
    + "%ADD10C,1.5*%%SRX4Y3I4.0J5.0*%D10*X20000Y20000D03*X32000D02*X36000Y40000D01*%SR*%X180000Y180000D03*",
    "step and repeat closed the old way": MM
    + "%ADD10C,1.5*%%SRX4Y3I4.0J5.0*%D10*X20000Y20000D03*%SRX1Y1I0J0*%X180000Y180000D03*",
    "strokes with a rectangle": MM
    + "G04 strokes with a rectangle*%ADD10R,1X2*%D10*X20000Y20000D02*X150000D01*Y150000D01*X40000Y60000D01*",
    "macro circle and lines": MM
    + "%AMMIX*1,1,2,1,1*20,1,0.8,-3,-2,3,-1,0*21,1,4,0.5,0,-3,30*22,1,2,1,-2,2,-15*%%ADD10MIX*%"
    "D10*X60000Y60000D03*X140000Y120000D03*",
    "macro outline, polygon, exposure off": MM
    + "%AMCUT*4,1,4,-3,-2,3,-2,4,1,0,3,-3,-2,10*1,0,1.5,0.5,0*5,1,8,2.5,3,2,0*21,0,5,0.3,0,0,45*%"
    "%ADD10CUT*%D10*X60000Y60000D03*X140000Y130000D03*",
    "macro thermal": MM + "%AMTH*7,0,0,6,4,0.8,20*%%ADD10TH*%D10*X100000Y100000D03*",
    "macro moire": MM + "%AMMO1*6,0,0,8,0.5,0.6,3,0.2,9,10*%%ADD10MO1*%D10*X100000Y100000D03*",
    "macro with expressions": MM
    + "%AMRR*0 rounded*$3=$1/2-$2*$4=($1-2x$2)*21,1,$1,$4,0,0,0*21,1,$4,$1,0,0,0*1,1,2X$2,$3,$3*"
    "1,1,2X$2,0-$3,$3*1,1,2X$2,0-$3,0-$3*1,1,2X$2,$3,0-$3*%%ADD10RR,6X1*%%ADD11RR,3X0.5*%"
    "D10*X60000Y60000D03*D11*X140000Y130000D03*",
    "octagons as an old program writes them": MM
    + "%AMOC8*5,1,8,0,0,1.08239X$1,22.5*%%ADD10OC8,3*%D10*X60000Y60000D03*X140000Y130000D03*",
    "inch with leading zeros omitted": INCH
    + "%ADD10C,0.05*%%ADD11R,0.1X0.06*%G54D10*X10000Y10000D03*X30000Y30000D2*X60000Y50000D1*G54D11*X50000Y20000D3*",
    "inch with trailing zeros omitted": "%FSTAX24Y24*%\n%MOIN*%\n"
    + "%ADD10C,0.05*%D10*X001Y001D03*X003Y003D02*X006Y0055D01*",
    "incremental": "G70*\n%FSLIX24Y24*%\n%MOIN*%\n"
    + "%ADD10C,0.05*%D10*X1000Y1000D03*X2000D03*Y2000D02*X1500Y500D01*",
}


def rectangles_as_macros(text: str) -> str:
    """Rewrite R apertures without a hole as macros, which gerbv draws to the pixel's part."""
    return re.sub(
        r"%ADD(\d+)R,([\d.]+)X([\d.]+)\*%",
        r"%AMRECT\1*21,1,\2,\3,0,0,0*%%ADD\1RECT\1*%",
        text,
    )


SIDE_MM = 20.0
PIXEL_MM = 0.01
CELLS = 8


def gerbv_cells_mm2(text: str, folder):
    """Areas that gerbv draws in each of 8×8 cells of the square from (0, 0) to (20, 20) mm; [0, 0] is lower left."""
    assert GERBV is not None
    source, picture = folder / "drawing.gbr", folder / "drawing.png"
    # Strokes need the standard aperture: gerbv draws none with a macro.
    source.write_text(text if "strokes with" in text else rectangles_as_macros(text), encoding="latin-1")
    inches = f"{SIDE_MM / 25.4:.4f}"
    command = [
        GERBV, "-x", "png", "-D", f"{25.4 / PIXEL_MM:.0f}", "-a", "-B", "0", "-O", "0.0000x0.0000",
        "-W", f"{inches}x{inches}", "-b", "#000000", "-f", "#FFFFFFFF", "-o", str(picture), str(source),
    ]  # fmt: skip
    done = subprocess.run(command, capture_output=True, text=True, timeout=60, check=False)
    assert picture.exists(), done.stderr
    pixels = image.imread(picture)
    grey = np.asarray(pixels if pixels.ndim == 2 else pixels[..., 0], dtype=np.float64)
    count = round(SIDE_MM / PIXEL_MM)
    square = np.zeros((count, count))
    square[: grey.shape[0], : grey.shape[1]] = grey[::-1][:count, :count]
    step = count // CELLS
    return square.reshape(CELLS, step, CELLS, step).sum(axis=(1, 3)).T * PIXEL_MM**2


def our_cells_mm2(area):
    """The same for our own area, by clipping."""
    side = SIDE_MM / CELLS
    corners = [(i * side, j * side) for i in range(CELLS) for j in range(CELLS)]
    clipped = [area.intersection(shapely.box(x, y, x + side, y + side)).area for x, y in corners]
    return np.array(clipped).reshape(CELLS, CELLS)


@pytest.mark.judge
@needs_gerbv
@pytest.mark.parametrize("name", DRAWINGS)
def test_the_area_is_the_one_that_gerbv_draws(name, tmp_path):
    text = DRAWINGS[name] + "\nM02*\n"
    area = dark_area(read_gerber(text.encode(), "drawing.gbr"))
    assert area.area > 1
    theirs = gerbv_cells_mm2(text, tmp_path)
    # 10 µm pixels with smoothed edges: the sum of greys is good to about 0.1 %. In a cell of 2.5 mm, half a pixel
    # along two edges is 0.025 mm².
    assert area.area == approx(theirs.sum(), rel=2e-3)
    assert our_cells_mm2(area) == approx(theirs, abs=0.025)


@pytest.mark.judge
@needs_gerbv
def test_the_comparison_with_gerbv_notices_an_aperture_that_is_one_percent_too_large(tmp_path):
    text = MM + "%ADD10C,5*%D10*X100000Y100000D03*M02*"
    larger = read_gerber(text.replace("C,5", "C,5.05").encode(), "drawing.gbr")
    assert dark_area(larger).area != approx(gerbv_cells_mm2(text, tmp_path).sum(), rel=2e-3)


# What gerbonara 1.5.0 reads rightly: upright standard apertures, round strokes, arcs, regions. It reads the rotation of
# P apertures and macros as radians, puts macro polygons at the origin, and drops SR, AB, LM, LR and LS.
SHARED_GROUND = (
    MM
    + "%ADD10C,1.5*%%ADD11R,3X1.2*%%ADD12O,4X1.5*%%ADD13O,1X3*%%ADD14P,3X6*%%ADD15C,2X1*%%ADD16C,0.4*%"
    + "G75*\nD10*X10000Y20000D03*\nX-30000Y25000D03*\nD11*X80000D03*\n"
    + "D12*X140000Y70000D03*\nD13*X30000Y100000D03*\nD14*X80000D03*\nD15*X150000D03*\n%LPC*%\nD16*X80000Y100000D02*\n"
    + "X95000Y112000D01*\nX100000Y100000D03*\n%LPD*%\nG02*X110000Y90000I0J-10000D01*\nG03*X120000Y80000I10000J0D01*\n"
    + "G01*\nG36*X0Y0D02*X10000D01*G03X20000Y10000I0J10000D01*G01X0Y30000D01*X0Y0D01*G37*\n"
)


def chords(points, centre, clockwise, count=400):
    """Points along an arc between two points, by plain trigonometry."""
    (x0, y0), (x1, y1) = points
    cx, cy = centre
    begin, end = np.arctan2(y0 - cy, x0 - cx), np.arctan2(y1 - cy, x1 - cx)
    turn = -((begin - end) % (2 * np.pi)) if clockwise else (end - begin) % (2 * np.pi)
    angles = begin + turn * np.linspace(0, 1, count)
    radius = np.hypot(x0 - cx, y0 - cy)
    return [(cx + radius * np.cos(angle), cy + radius * np.sin(angle)) for angle in angles]


def judged_shape(primitives):
    """The shape of gerbonara's primitives, with circles of 400 corners."""
    shape: BaseGeometry = shapely.Polygon()
    for item in primitives:
        kind = type(item).__name__
        if kind == "Circle":
            part = shapely.Point(item.x, item.y).buffer(item.r, quad_segs=100)
        elif kind == "Rectangle":
            assert item.rotation == 0
            part = shapely.box(
                item.x - item.w / 2, item.y - item.h / 2, item.x + item.w / 2, item.y + item.h / 2
            )
        elif kind == "Line":
            line = shapely.LineString([(item.x1, item.y1), (item.x2, item.y2)])
            part = line.buffer(item.width / 2, quad_segs=100)
        elif kind == "Arc":
            ends = ((item.x1, item.y1), (item.x2, item.y2))
            line = shapely.LineString(chords(ends, (item.cx, item.cy), item.clockwise))
            part = line.buffer(item.width / 2, quad_segs=100)
        else:
            points: list[tuple[float, float]] = []
            for first, second, (clockwise, centre) in item.segments:
                straight = clockwise is None
                points += [first, second] if straight else chords((first, second), centre, clockwise)
            part = shapely.Polygon(points)
        shape = shape.union(part) if item.polarity_dark else shape.difference(part)
    return shape


@pytest.mark.judge
def test_every_object_is_the_one_that_gerbonara_reads():
    theirs = GerberFile.from_string(SHARED_GROUND + "M02*\n").objects
    ours = read_gerber((SHARED_GROUND + "M02*\n").encode(), "shared.gbr").objects
    assert len(ours) == len(theirs) == 12
    names = {DrawnKind.FLASH: ("Flash",), DrawnKind.STROKE: ("Line", "Arc"), DrawnKind.REGION: ("Region",)}
    for mine, other in zip(ours, theirs, strict=True):
        assert type(other).__name__ in names[mine.kind]
        assert mine.dark == other.polarity_dark
        for primitive in (primitives := list(other.to_primitives("mm"))):
            # A clear object's own shape is compared; what it takes away is another test's matter.
            object.__setattr__(primitive, "polarity_dark", primitive.polarity_dark == mine.dark)
        shape = judged_shape(primitives)
        # Circles of true area ripple by 0.57 % of the radius at most; what differs is a small part of that.
        assert mine.shape.area == approx(shape.area, rel=3e-4)
        assert mine.shape.symmetric_difference(shape).area < 5e-3 * shape.area
