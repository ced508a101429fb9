"""The demo board is a sensible board, and both flavours of its files hold the same one."""

import itertools
import math
import runpy
import shutil
import subprocess
import sys
from collections import Counter, defaultdict
from pathlib import Path

import numpy as np
import pytest
import shapely
from pytest import approx
from shapely import affinity
from shapely.geometry import Point, Polygon, box
from shapely.geometry.base import BaseGeometry
from shapely.ops import unary_union

from pastewright.board.artwork import DrillFile
from pastewright.board.drill.excellon import read_excellon
from pastewright.board.gerber.read import read_gerber
from pastewright.board.model import LayerRole as R
from pastewright.board.parts.ipc356 import read_ipc356
from pastewright.board.roles.recognise import recognise
from pastewright.board.source.files import SourceFile
from pastewright.demo.board import demo_files, write_demo
from pastewright.demo.drawing import BULGE_MM, CHAMFER_MM
from pastewright.demo.gerber_text import ORIGIN_MM
from pastewright.demo.layout import CUT_OUT_MM, PADS, PARTS, SIZE_MM, DemoPad
from pastewright.demo.patterns import PATTERNS, Shape, Use
from pastewright.demo.tracks import CLEARANCE_MM, VIAS

FILES = {flavour: demo_files(flavour) for flavour in ("x2", "rs274x")}
ROLES = {
    flavour: {each.role: each for each in recognise([SourceFile(name=n, data=d) for n, d in files.items()])}
    for flavour, files in FILES.items()
}
GERBERS = [r for r in R if r.value.startswith(("top", "bottom"))] + [R.OUTLINE]


def layer(flavour: str, role: R) -> list[BaseGeometry]:
    file = ROLES[flavour][role].file
    read = read_gerber(file.data, file.name)
    assert not read.problems
    return [thing.shape for thing in read.objects]


def pad_box(pad: DemoPad, grow: float = 0.0) -> Polygon:
    w, h = pad.land.w / 2 + grow, pad.land.h / 2 + grow
    turned = affinity.rotate(box(-w, -h, w, h), pad.turn_deg, origin=(0, 0))
    return affinity.translate(turned, pad.x, pad.y)


def in_file(x: float, y: float) -> tuple[float, float]:
    return x + ORIGIN_MM[0], y + ORIGIN_MM[1]


# Dimensions of an open footprint library declaring IPC-7351 nominal density, 2020 generation.
@pytest.mark.parametrize(
    ("name", "w", "h", "cx", "pads"),
    [
        ("0402", 0.54, 0.64, 0.51, 2),
        ("0603", 0.8, 0.95, 0.825, 2),
        ("0805", 1.025, 1.4, 0.9125, 2),
        ("SOIC-8", 1.95, 0.6, 2.475, 8),
        ("QFN-32", 0.875, 0.25, 2.4375, 33),
    ],
)
def test_land_patterns_have_the_published_dimensions(
    name: str, w: float, h: float, cx: float, pads: int
) -> None:
    lands = PATTERNS[name].lands
    assert (lands[0].w, lands[0].h, lands[0].x) == (w, h, -cx)
    assert len(lands) == pads
    assert PATTERNS[name].source.startswith("open footprint library")


def test_the_thermal_land_of_the_controller_has_nine_panes() -> None:
    (thermal,) = [pad for pad in PADS if pad.land.use is Use.THERMAL]
    assert len(thermal.panes) == 9
    assert {(pane.w, pane.h) for pane in thermal.panes} == {(0.83, 0.83)}
    assert sorted({round(pane.x - thermal.x, 6) for pane in thermal.panes}) == [-1.03, 0.0, 1.03]
    assert approx(0.645, abs=1e-3) == 9 * 0.83**2 / 3.1**2  # coverage, corners not counted


def test_the_board_holds_every_kind_of_part_on_both_sides() -> None:
    count = Counter((part.pattern.name, part.bottom) for part in PARTS)
    for name, least in {
        "0402": 10,
        "0603": 5,
        "0805": 4,
        "SOT-23": 4,
        "TEST-POINT": 4,
        "MOUNT-3.2": 4,
    }.items():
        assert count[name, False] >= least
    for name in ("SOIC-8", "QFN-32", "TSSOP-16", "USB-C", "TERMINAL-2"):
        assert count[name, False] == 1
    assert count["FIDUCIAL", False] == 3
    assert sum(n for (_name, bottom), n in count.items() if bottom) >= 12
    assert count["SOIC-8", True] == count["SOT-23", True] == 1
    assert len({part.ref for part in PARTS}) == len(PARTS)


def test_all_pads_lie_inside_the_outline_and_off_the_slit() -> None:
    board = box(0, 0, *SIZE_MM).buffer(-0.5)
    x, y, w, h = CUT_OUT_MM
    slit = box(x - w / 2, y - h / 2, x + w / 2, y + h / 2).buffer(0.4)
    for pad in PADS:
        assert board.contains(pad_box(pad)), pad.ref
        assert not slit.intersects(pad_box(pad)), pad.ref


def test_no_two_parts_overlap() -> None:
    """Parts on one side keep 0.25 mm between their pads and bodies."""
    solid: dict[str, BaseGeometry] = {}
    bored: set[str] = set()
    for part in PARTS:
        pads = [pad for pad in PADS if pad.ref == part.ref]
        hull = unary_union([pad_box(pad) for pad in pads])
        # The cell clip is two feet, and parts stand between them.
        solid[part.ref] = hull if part.pattern.name == "CELL-CLIP" else hull.convex_hull
        if any(pad.land.hole for pad in pads):
            bored.add(part.ref)
    for a, b in itertools.combinations(PARTS, 2):
        if a.bottom == b.bottom or a.ref in bored or b.ref in bored:
            assert solid[a.ref].distance(solid[b.ref]) >= 0.25, (a.ref, b.ref)


def _image(shapes: list[BaseGeometry], dark: list[bool]) -> BaseGeometry:
    image: BaseGeometry = Polygon()
    for is_dark, run in itertools.groupby(zip(shapes, dark, strict=True), key=lambda pair: pair[1]):
        part = unary_union([shape for shape, _ in run])
        image = image.union(part) if is_dark else image.difference(part)
    return image


@pytest.mark.parametrize("flavour", ["x2", "rs274x"])
def test_copper_joins_every_net_and_no_two(flavour: str) -> None:
    pieces: list[tuple[bool, BaseGeometry]] = []
    for bottom, role in ((False, R.TOP_COPPER), (True, R.BOTTOM_COPPER)):
        file = ROLES[flavour][role].file
        read = read_gerber(file.data, file.name)
        image = _image([thing.shape for thing in read.objects], [thing.dark for thing in read.objects])
        pieces += [(bottom, piece) for piece in shapely.get_parts(image)]
    parent = list(range(len(pieces)))

    def root(i: int) -> int:
        while parent[i] != i:
            i = parent[i]
        return i

    def piece_at(bottom: bool, x: float, y: float) -> int:
        point = Point(in_file(x, y))
        (found,) = [
            i for i, (side, piece) in enumerate(pieces) if side == bottom and piece.distance(point) < 1e-3
        ]
        return found

    through = [(x, y) for _net, x, y in VIAS] + [(pad.x, pad.y) for pad in PADS if pad.through]
    for x, y in through:
        parent[root(piece_at(False, x, y))] = root(piece_at(True, x, y))
    nets = defaultdict(set)
    for pad in PADS:
        if pad.land.use is not Use.BARE_HOLE:
            nets[pad.net or f"{pad.ref}-{pad.pin}"].add(root(piece_at(pad.bottom, pad.x, pad.y)))
    assert {net: len(roots) for net, roots in nets.items() if len(roots) > 1} == {}
    assert max(Counter(next(iter(roots)) for roots in nets.values()).values()) == 1
    # Two pieces of one net may lie close; pieces of two nets keep their clearance, to a hundredth.
    for side in (False, True):
        copper = [(i, piece) for i, (bottom, piece) in enumerate(pieces) if bottom == side]
        shapes = [piece for _, piece in copper]
        near = shapely.STRtree(shapes).query(shapes, predicate="dwithin", distance=CLEARANCE_MM - 0.012)
        assert [(a, b) for a, b in near.T if root(copper[a][0]) != root(copper[b][0])] == []


def test_every_file_is_recognised_without_a_warning() -> None:
    for flavour, found in ROLES.items():
        assert set(found) >= {*GERBERS, R.DRILL}, flavour
        assert not [problem.what for each in found.values() for problem in each.problems]
    assert {each.how for each in ROLES["x2"].values()} == {"X2 .FileFunction"}
    assert all("FileFunction" not in each.how for each in ROLES["rs274x"].values())


def test_the_old_flavour_has_no_attribute_and_counts_in_inches() -> None:
    for name, data in FILES["rs274x"].items():
        assert b"%T" not in data and b"#@!" not in data, name
        if not name.endswith((".TXT", ".IPC")):
            assert b"%MOIN*%" in data and data.startswith(b"G04 ")


def _closed_form_mm2(pad: DemoPad) -> float:
    """Return a pad's paste area by hand formulas, not by its contour."""
    if not pad.land.same_paste:
        return sum(pane.area_mm2 for pane in pad.panes)
    w, h = pad.land.w, pad.land.h
    if pad.land.shape is Shape.CHAMFERED:
        return w * h - CHAMFER_MM**2
    if pad.land.shape is Shape.ARCHED:
        radius = (h * h / 4 + BULGE_MM**2) / (2 * BULGE_MM)
        half_angle = math.asin(h / 2 / radius)
        return (w - BULGE_MM) * h + radius**2 * (half_angle - math.sin(half_angle) * math.cos(half_angle))
    return w * h - (4 - math.pi) * min(0.25 * min(w, h), 0.25) ** 2


@pytest.mark.parametrize("role", [R.TOP_PASTE, R.BOTTOM_PASTE])
def test_both_flavours_hold_the_paste_area_worked_out_by_hand(role: R) -> None:
    bottom = role is R.BOTTOM_PASTE
    by_hand = sum(_closed_form_mm2(pad) for pad in PADS if pad.bottom == bottom)
    areas = {flavour: sum(shape.area for shape in layer(flavour, role)) for flavour in FILES}
    # Chords inside arcs and rounding to 0.25 µm are the only differences.
    assert areas["x2"] == approx(by_hand, rel=5e-4)
    assert areas["rs274x"] == approx(areas["x2"], rel=5e-4)


@pytest.mark.parametrize("role", GERBERS)
def test_both_flavours_draw_the_same_shapes(role: R) -> None:
    images = {}
    for flavour in FILES:
        file = ROLES[flavour][role].file
        read = read_gerber(file.data, file.name)
        images[flavour] = _image(
            [thing.shape for thing in read.objects], [thing.dark for thing in read.objects]
        )
    difference = images["x2"].symmetric_difference(images["rs274x"])
    # Nothing is off by more than a few rounding steps of the inch files (0.25 µm).
    assert difference.buffer(-0.002).is_empty
    assert difference.area < 2e-3 * images["x2"].area


def test_paste_stands_on_pads_within_their_mask_openings() -> None:
    for paste, mask, copper in (
        (R.TOP_PASTE, R.TOP_MASK, R.TOP_COPPER),
        (R.BOTTOM_PASTE, R.BOTTOM_MASK, R.BOTTOM_COPPER),
    ):
        openings = unary_union(layer("x2", mask)).buffer(0.002)
        file = ROLES["x2"][copper].file
        pads = unary_union(
            [t.shape for t in read_gerber(file.data, file.name).objects if t.dark and "P" in t.attributes]
        ).buffer(0.002)
        for shape in layer("x2", paste):
            assert openings.contains(shape)
            assert pads.contains(shape)


def test_fiducials_are_one_millimetre_of_copper_in_two_of_opening() -> None:
    file = ROLES["x2"][R.TOP_COPPER].file
    marks = [
        thing
        for thing in read_gerber(file.data, file.name).objects
        if thing.attributes.get("AperFunction") == ("FiducialPad", "Global")
    ]
    assert [mark.width_mm for mark in marks] == [1.0, 1.0, 1.0]
    openings = layer("x2", R.TOP_MASK)
    for mark in marks:
        (opening,) = [o for o in openings if o.contains(mark.shape)]
        assert opening.area == approx(math.pi, rel=1e-3)
    assert len({(round(m.shape.centroid.x), round(m.shape.centroid.y)) for m in marks}) == 3


def drill_files(flavour: str) -> list[DrillFile]:
    names = [name for name in FILES[flavour] if name.endswith((".drl", ".TXT"))]
    return [read_excellon(FILES[flavour][name], name) for name in names]


def test_both_flavours_hold_the_same_holes() -> None:
    found: dict[str, list[tuple[float, ...]]] = {}
    for flavour in FILES:
        files = drill_files(flavour)
        assert not [problem for file in files for problem in file.problems]
        found[flavour] = sorted(
            (d.diameter_mm, bool(d.plated), d.x_mm, d.y_mm, *(d.slot_to_mm or (0.0, 0.0)))
            for file in files
            for d in file.drills
        )
    assert np.array(found["x2"]) == approx(np.array(found["rs274x"]), abs=3e-4)
    plated = [row for row in found["x2"] if row[1]]
    assert len(plated) == len(VIAS) + sum(pad.land.hole > 0 and pad.land.plated for pad in PADS)
    assert sum(row[4] != 0 for row in found["x2"]) == 4  # the shell of the USB receptacle
    assert sorted({row[0] for row in found["x2"] if not row[1]}) == [0.65, 3.2]


def test_the_netlist_names_the_pads_as_the_x2_attributes_do() -> None:
    (name,) = [name for name in FILES["rs274x"] if name.endswith(".IPC")]
    netlist = read_ipc356(FILES["rs274x"][name], name)
    assert not netlist.problems
    points = {(p.ref, p.pin): p for p in netlist if p.ref and p.pin}
    told = {}
    for role in (R.TOP_COPPER, R.BOTTOM_COPPER):
        file = ROLES["x2"][role].file
        for thing in read_gerber(file.data, file.name).objects:
            use = thing.attributes.get("AperFunction", ("",))[0]
            if "P" in thing.attributes and use != "FiducialPad":
                ref, pin = thing.attributes["P"][:2]
                told[ref, pin] = (thing.attributes["N"][0], thing.shape)
    assert points.keys() == told.keys()
    for key, (net, shape) in told.items():
        assert points[key].net == ("" if net == "N/C" else net)
        assert shape.contains(Point(points[key].x_mm, points[key].y_mm))
    assert {p.ref for p in netlist if p.side is not None and p.ref} >= {"U1", "U4", "BT1"}


def test_writing_twice_gives_the_same_bytes(tmp_path: Path) -> None:
    for flavour in ("x2", "rs274x"):
        first = write_demo(tmp_path / "a" / flavour, flavour)
        second = write_demo(tmp_path / "b" / flavour, flavour)
        assert [path.read_bytes() for path in first] == [path.read_bytes() for path in second]
        assert {path.name: path.read_bytes() for path in first} == demo_files(flavour)


def test_the_example_script_writes_every_format(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    script = Path(__file__).parents[2] / "examples" / "greenhouse_logger.py"
    monkeypatch.setattr(sys, "argv", [str(script), str(tmp_path)])
    runpy.run_path(str(script), run_name="__main__")
    folders = {"rs274x", "x2", "svg", "dxf", "table", "ipc2581", "centroid"}
    assert {p.name for p in tmp_path.iterdir()} == folders
    assert all(any(p.iterdir()) for p in tmp_path.iterdir())
    assert capsys.readouterr().out.count("11 files in") >= 2


def test_the_generator_needs_nothing_but_the_standard_library() -> None:
    code = "import sys, pastewright.demo.board; print([m for m in ('numpy', 'shapely', 'scipy') if m in sys.modules])"
    done = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True)
    assert done.stdout.strip() == "[]"


@pytest.mark.judge
@pytest.mark.skipif(shutil.which("gerbv") is None, reason="gerbv is not installed (apt install gerbv)")
@pytest.mark.parametrize("flavour", ["x2", "rs274x"])
@pytest.mark.parametrize("role", [R.TOP_PASTE, R.BOTTOM_PASTE])
def test_gerbv_paints_the_same_paste_area(flavour: str, role: R, tmp_path: Path) -> None:
    image = pytest.importorskip("matplotlib.image")
    file = ROLES[flavour][role].file
    (tmp_path / file.name).write_bytes(file.data)
    # 2540 dpi: 0.01 mm pixels; the window is given, since the automatic one clips.
    window = ["-O", "0.9600x1.9600", "-W", "2.0500x1.6600"]
    colours = ["-b", "#000000", "-f", "#FFFFFFFF"]
    subprocess.run(
        ["gerbv", "-x", "png", "-D", "2540", "-a", "-B", "0", *window, *colours, "-o", "o.png", file.name],
        cwd=tmp_path,
        check=True,
        capture_output=True,
    )
    grey = image.imread(tmp_path / "o.png")[..., 0]
    painted_mm2 = float(grey.sum()) * 0.01**2
    assert painted_mm2 == approx(sum(shape.area for shape in layer(flavour, role)), rel=3e-3)
