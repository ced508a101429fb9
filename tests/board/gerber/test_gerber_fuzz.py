"""Whatever the bytes, the Gerber reader gives a layer or an `InputError`, in bounded time; and what must always hold."""

import pytest
import shapely
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st
from pytest import approx
from shapely.geometry.base import BaseGeometry

from pastewright.board.artwork import Layer
from pastewright.board.gerber.read import dark_area, read_gerber
from pastewright.problems import InputError, Severity

# A whole small file in which every command of the format stands at least once.
EVERYTHING = b"""%TF.FileFunction,Paste,Top*%
G04 #@! TF.Part,Single*
G04 logger v1, 0.1 mm foil*
%FSLAX34Y34*%
%MOMM*%
%IPPOS*%
%OFA0B0*%
%LNpaste*%
%AMMIX*0 all primitives*$4=$1/2-$2*1,1,2x$2,$4,$4,0*20,1,0.3,-1,-1,1,1,0*21,1,$1,0.5,0,0,30*
22,1,1,1,-2,-2,0*4,1,3,0,0,1,0,0,1,0,0,15*5,1,6,2,2,1,0*6,0,0,3,0.2,0.3,3,0.1,4,0*7,3,3,2,1,0.3,10*
21,0,0.2,0.2,0,0,0*%
%TA.AperFunction,SMDPad,CuDef*%
%ADD10C,0.5*%
%ADD11R,1.2X0.6*%
%ADD12O,1.5X0.5X0.2*%
%ADD13P,1.0X6X15*%
%ADD14MIX,2X0.25*%
%TD*%
%ABD20*%
D10*
X0Y0D03*
%LPC*%
X10000Y0D03*
%LPD*%
%AB*%
%TO.C,R1*%
G75*
X0Y0D02*
G01X50000Y10000D01*
G02X60000Y20000I10000J0D01*
G03X60000Y20000I5000J0D01*
G74*
G03X50000Y30000I10000J0D01*
G75*
G01*
D11*
X80000D03*
Y50000D03*
X90000Y90000D01*
D12*
X20000Y70000D03*
D13*
X25000Y90000D03*
%LMX*%
%LR45*%
%LS1.5*%
D14*
X150000Y50000D03*
D20*
X150000Y90000D03*
%LMN*%
%LR0*%
%LS1*%
G36*
X100000Y100000D02*
X120000D01*
G03X120000Y120000I0J10000D01*
G01X100000D01*
Y100000D01*
G37*
%SRX3Y2I10.0J12.0*%
G54D11*
X200000Y200000D3*
%SR*%
%LPC*%
D10*
X110000Y110000D03*
%LPD*%
X0Y150000D03*
M02*
"""


def outcome(data):
    """A layer or None (refused), after checking what holds for both."""
    try:
        layer: Layer | None = read_gerber(data, "fuzz.gbr")
    except InputError as refused:
        assert any(problem.severity is Severity.ERROR for problem in refused.problems)
        assert all(problem.file == "fuzz.gbr" for problem in refused.problems)
        assert len(refused.problems) < 5000
        layer = None
    else:
        assert layer is not None
        assert all(problem.severity is not Severity.ERROR for problem in layer.problems)
        shapes = [item.shape for item in layer.objects]
        assert all(shape.geom_type in ("Polygon", "MultiPolygon") for shape in shapes)
        assert shapely.is_valid(shapes).all()
        area = dark_area(layer)
        assert area.is_valid and area.area <= sum(shape.area for shape in shapes) * (1 + 1e-9)
    return layer


def test_the_file_with_everything_is_read():
    layer = outcome(EVERYTHING)
    assert len(layer.objects) == 21
    assert layer.problems == ()


@given(st.binary(max_size=400))
def test_random_bytes(data):
    outcome(data)


@given(st.binary(max_size=200))
def test_random_bytes_behind_a_header(data):
    outcome(b"%FSLAX34Y34*%%MOMM*%%ADD10C,1*%D10*" + data)


NUMBER = st.one_of(
    st.integers(-99999, 99999).map(str),
    st.sampled_from(["0", "1", "1.5", "-0", "+3", ".", "", "99999999999999999999", "1e5", "0.0001", "$1"]),
)
FRAGMENT = st.one_of(
    st.tuples(st.sampled_from("XYIJDGMN"), NUMBER).map("".join),
    st.sampled_from(
        [
            "*",
            "%",
            "*%\n%",
            "*\n",
            "\n",
            "G36*",
            "G37*",
            "G02",
            "G03",
            "G74*",
            "G75*",
            "D01*",
            "D02*",
            "D03*",
            "D10*",
        ]
    ),
    st.sampled_from(
        ["%LPC*%", "%LPD*%", "%SRX2Y2I1J1*%", "%SR*%", "%ABD11*%", "%AB*%", "D11*", "G04 ", "M02*"]
    ),
    st.tuples(
        st.sampled_from(["%LR", "%LS", "%OFA", "%SFA", "%MIA", "%IR", "%ADD12R,", "%ADD11C,"]), NUMBER
    ).map(lambda parts: "".join(parts) + "*%"),
    st.lists(NUMBER, max_size=9).map(lambda numbers: f"%AMM*{','.join(numbers)}*%%ADD11M,1X2*%"),
)


@given(st.lists(FRAGMENT, max_size=40).map("".join))
@settings(max_examples=300)
def test_random_rows_of_commands(text):
    outcome(("%FSLAX34Y34*%%MOMM*%%ADD10C,1*%D10*" + text).encode())


@st.composite
def mutated(draw, source=EVERYTHING):
    data = bytearray(source)
    for _ in range(draw(st.integers(1, 6))):
        at = draw(st.integers(0, max(0, len(data) - 1)))
        length = draw(st.integers(1, 20))
        change = draw(st.sampled_from(["delete", "double", "flip", "replace", "cut", "swap"]))
        if change == "delete":
            del data[at : at + length]
        elif change == "double":
            data[at:at] = data[at : at + length]
        elif change == "flip" and data:
            data[at] ^= 1 << draw(st.integers(0, 7))
        elif change == "replace" and data:
            data[at] = draw(st.sampled_from(b"0123456789XYIJDGM*%,.$-+()\n "))
        elif change == "cut" and draw(st.booleans()):
            del data[at:]
        elif change == "swap":
            other = draw(st.integers(0, max(0, len(data) - 1)))
            data[at : at + length], data[other : other + length] = (
                data[other : other + length],
                data[at : at + length],
            )
    return bytes(data)


@given(mutated())
@settings(max_examples=300, suppress_health_check=[HealthCheck.too_slow])
def test_a_damaged_file_is_read_or_refused(data):
    outcome(data)


@pytest.mark.campaign
@given(mutated())
@settings(max_examples=20_000, suppress_health_check=[HealthCheck.too_slow])
def test_many_damaged_files_are_read_or_refused(data):
    outcome(data)


@pytest.mark.campaign
@given(st.lists(FRAGMENT, max_size=80).map("".join))
@settings(max_examples=20_000)
def test_many_random_rows_of_commands(text):
    outcome(("%FSLAX34Y34*%%MOMM*%%ADD10C,1*%D10*" + text).encode())


def test_a_file_cut_off_anywhere_never_passes_in_silence():
    for length in range(len(EVERYTHING.rstrip()) - 1):
        layer = outcome(EVERYTHING[:length])
        if layer is not None:
            assert any("M02" in problem.what for problem in layer.problems), length


def test_a_macro_that_all_but_touches_itself_stays_valid_when_it_is_turned():
    """Found by changing one digit of the file above: its moiré then meets its thermal in a single point."""
    data = EVERYTHING.replace(b"6,0,0,3,0.2", b"6,2,0,3,0.2")
    assert data != EVERYTHING
    outcome(data)


def test_a_dropped_line_is_drawn_differently_or_told():
    """Every line matters but comments and names: without it objects or problems change."""
    lines = EVERYTHING.splitlines(keepends=True)
    idle = {b"%IPPOS*%", b"%OFA0B0*%", b"%LNpaste*%", b"G04 logger v1, 0.1 mm foil*"}
    whole = fingerprint(outcome(EVERYTHING))
    silent = []
    for number, line in enumerate(lines):
        layer = outcome(b"".join(lines[:number] + lines[number + 1 :]))
        if layer is not None and not layer.problems and fingerprint(layer) == whole:
            silent.append(line.strip())
    assert set(silent) <= idle


def fingerprint(layer):
    """What a layer draws, without its lines."""
    return [
        (item.kind, item.shape.wkb, item.dark, sorted(item.attributes.items()), item.path_mm)
        for item in layer.objects
    ] + [sorted(layer.attributes.items())]


PLACES = st.lists(
    st.tuples(st.integers(-200_000, 200_000), st.integers(-200_000, 200_000), st.booleans()),
    min_size=1,
    max_size=12,
)


def drawing(places, dx=0, dy=0, head="%FSLAX34Y34*%%MOMM*%", factor=1, turn=False):
    text = head + "%ADD10R,3X1*%%ADD11C,2*%"
    for x, y, dark in places:
        x, y = (-y, x) if turn else (x, y)
        text += f"%LP{'D' if dark else 'C'}*%D10*X{(x + dx) * factor}Y{(y + dy) * factor}D03*D11*D01*"
    return dark_area(read_gerber((text + "M02*").encode(), "x.gbr"))


@given(PLACES, st.integers(-50_000, 50_000), st.integers(-50_000, 50_000))
def test_moving_the_coordinates_moves_the_image(places, dx, dy):
    moved = shapely.affinity.translate(drawing(places), dx / 1e4, dy / 1e4)
    assert drawing(places, dx, dy).symmetric_difference(moved).area < 1e-6


@given(PLACES)
def test_a_finer_number_format_draws_the_same(places):
    finer = drawing(places, head="%FSLAX46Y46*%%MOMM*%", factor=100)
    assert finer.symmetric_difference(drawing(places)).area < 1e-6


@given(PLACES)
def test_turning_coordinates_and_apertures_turns_the_image(places):
    head = "%FSLAX34Y34*%%MOMM*%%LR90*%"
    turned = shapely.affinity.rotate(drawing(places), 90, origin=(0, 0))
    assert drawing(places, head=head, turn=True).area == approx(turned.area, abs=1e-6)


@given(PLACES)
def test_a_block_draws_what_its_objects_draw(places):
    body = "".join(f"%LP{'D' if dark else 'C'}*%X{x}Y{y}D03*" for x, y, dark in places)
    head = "%FSLAX34Y34*%%MOMM*%%ADD10R,3X1*%"
    plain = read_gerber(f"{head}D10*{body}M02*".encode(), "x.gbr")
    block = read_gerber(f"{head}%ABD11*%D10*{body}%LPD*%%AB*%D11*X0Y0D03*M02*".encode(), "x.gbr")
    assert dark_area(block).symmetric_difference(dark_area(plain)).area < 1e-9


@given(PLACES)
def test_dark_area_is_drawing_one_object_after_the_other(places):
    text = "%FSLAX34Y34*%%MOMM*%%ADD10R,9X6*%D10*"
    text += "".join(f"%LP{'D' if dark else 'C'}*%X{x // 4}Y{y // 4}D03*" for x, y, dark in places)
    layer = read_gerber((text + "M02*").encode(), "x.gbr")
    image: BaseGeometry = shapely.Polygon()
    for item in layer.objects:
        image = image.union(item.shape) if item.dark else image.difference(item.shape)
    assert dark_area(layer).symmetric_difference(image).area < 1e-6
