"""Files that once made a plan that would have hurt a board; each is a small set of our own that shows it."""

import io
import zipfile
from collections.abc import Mapping
from typing import Any

import pytest
from pytest import approx

from pastewright.board.ask import Ask
from pastewright.board.model import Board, LayerRole, Side
from pastewright.board.read import board_of_files
from pastewright.board.source.files import SourceFile
from pastewright.problems import InputError, Severity

HEAD = (
    "%FSLAX46Y46*%\n%MOMM*%\n%ADD10C,0.1*%\n%ADD11R,1X0.5*%\n%ADD12R,1.2X0.7*%\n%ADD13C,0.8*%\n"
    "%ADD14C,2*%\nG01*\n%LPD*%\n"
)
PLACES = [(110.0 + 3 * i, 105.0 + 3 * j) for i in range(4) for j in range(3)]
"""Twelve pads of a board whose corner is at (105, 100)."""
HOLES = [(107.0 + 2 * n, 118.0) for n in range(10)]


def xy(x_mm: float, y_mm: float) -> str:
    return f"X{round(x_mm * 1e6)}Y{round(y_mm * 1e6)}"


def flashes(code: int, places: list[tuple[float, float]]) -> str:
    return f"D{code}*\n" + "".join(f"{xy(x, y)}D03*\n" for x, y in places)


def lines(*points: tuple[float, float], code: int = 10) -> str:
    return f"D{code}*\n{xy(*points[0])}D02*\n" + "".join(f"{xy(*point)}D01*\n" for point in points[1:])


def ring(x0: float, y0: float, x1: float, y1: float) -> str:
    return lines((x0, y0), (x1, y0), (x1, y1), (x0, y1), (x0, y0))


def gerber(body: str) -> str:
    return HEAD + body + "M02*\n"


def drill(holes: list[tuple[float, float]], diameter_mm: float = 0.3) -> str:
    body = "".join(f"X{x:.3f}Y{y:.3f}\n" for x, y in holes)
    return f"M48\nMETRIC,TZ\n;TYPE=PLATED\nT1C{diameter_mm}\n%\nT1\n{body}M30\n"


EDGE = ring(105, 100, 135, 125)
SHEET = ring(0, 0, 297, 210) + ring(197, 0, 297, 40) + lines((197, 20), (297, 20))
"""The frame of a drawing and its title block, as some programs plot them into every layer."""


def logger(extra: str = "", edge: str | None = EDGE, stem: str = "logger") -> dict[str, str]:
    """A board of ours; `extra` is plotted into every layer, the outline too."""
    vias = flashes(13, HOLES)
    set_ = {
        f"{stem}-F_Paste.gtp": gerber(extra + flashes(11, PLACES)),
        f"{stem}-F_Mask.gts": gerber(extra + flashes(12, PLACES)),
        f"{stem}-F_Cu.gtl": gerber(extra + vias + flashes(11, PLACES)),
        f"{stem}.drl": drill(HOLES),
    }
    if edge is not None:
        set_[f"{stem}-Edge.gko"] = gerber(extra + edge)
    return set_


def read(files: Mapping[str, str], side: Side = Side.TOP, **asked: Any) -> Board:
    sources = [SourceFile(name=name, data=text.encode()) for name, text in sorted(files.items())]
    return board_of_files(sources, Ask(side=side, **asked))


def pasted_mm2(board: Board) -> float:
    return sum(pad.aperture_area_mm2 for pad in board.pads)


def whats(board: Board) -> str:
    return " | ".join(problem.what for problem in board.problems)


def refused(files: Mapping[str, str], **asked: Any) -> str:
    with pytest.raises(InputError) as caught:
        read(files, **asked)
    return str(caught.value)


# ---- the drawing sheet


def test_the_frame_of_a_drawing_is_not_the_board():
    board = read(logger(SHEET))
    assert board.size_mm == approx((30, 25)) and board.file_origin_mm == approx((105, 100))
    assert pasted_mm2(board) == approx(12 * 0.5) and len(board.pads) == 12
    assert [p.severity for p in board.problems if "frame of a drawing" in p.what] == [Severity.WARNING]


def test_two_frames_one_in_the_other_are_both_left_out():
    board = read(logger(SHEET + ring(-10, -10, 307, 220)))
    assert board.size_mm == approx((30, 25))
    assert "frame of a drawing" in whats(board)


def test_a_narrow_rail_with_holes_in_it_is_part_of_the_panel():
    rail = ring(97, 92, 143, 133)
    files = logger(edge=EDGE + rail) | {"tooling.drl": drill([(100, 95), (140, 95), (100, 130)], 3.0)}
    board = read(files)
    assert board.size_mm == approx((46, 41))
    assert "boards of a panel" in whats(board)


def test_a_wide_frame_with_tooling_holes_is_a_rail_all_the_same():
    files = logger(edge=EDGE + ring(60, 60, 180, 170)) | {"tooling.drl": drill([(65, 65), (175, 165)], 3.0)}
    assert read(files).size_mm == approx((120, 110))


def test_a_board_whose_edge_does_not_close_in_a_sheet_is_the_box_of_its_lines():
    edge = lines((105, 100), (135, 100), (135, 125)) + lines((105, 125), (105, 101))
    board = read(logger(SHEET, edge=edge))
    assert board.size_mm == approx((30, 25))
    assert "do not close" in whats(board)


def test_a_title_block_beside_the_board_is_not_a_rail():
    board = read(logger(edge=EDGE + ring(150, 100, 190, 130)))
    assert board.size_mm == approx((30, 25))
    assert "beside the board hold no pads: left out" in whats(board)


# ---- legends and corner marks of a film

LEGEND = flashes(14, [(90, 90), (150, 90), (90, 140), (150, 140)]) + "".join(
    lines((92 + 2 * n, 142), (93 + 2 * n, 144), code=13) for n in range(15)
)


def test_marks_of_a_film_outside_the_board_get_no_paste_and_are_told():
    files = logger()
    for name, text in files.items():
        if name.endswith(("gtp", "gts", "gtl")):
            files[name] = text.replace("M02*", LEGEND + "M02*")
    board = read(files)
    assert board.size_mm == approx((30, 25)) and len(board.pads) == 12
    assert pasted_mm2(board) == approx(12 * 0.5)
    assert "outside the board's outline" in whats(board)


def test_marks_that_stand_on_inner_layers_too_are_no_paste_even_without_an_outline():
    files = {
        name: text.replace("M02*", LEGEND + "M02*") if name.endswith(("gtp", "gts", "gtl")) else text
        for name, text in logger(edge=None).items()
    }
    inner = gerber("%TF.FileFunction,Copper,L2,Inr*%\n" + LEGEND)
    without = read(files)
    board = read(files | {"logger-In1.gbr": inner})
    assert len(without.pads) > 12  # nothing there says that they are marks: the inner film does
    assert len(board.pads) == 12 and pasted_mm2(board) == approx(12 * 0.5)
    assert board.size_mm == approx((10, 6.5))


def test_pads_of_a_lead_stand_on_inner_layers_too_and_are_pasted():
    lead = flashes(14, [(120, 120)])
    files = {
        name: text.replace("M02*", lead + "M02*") if name.endswith(("gtp", "gts", "gtl")) else text
        for name, text in logger(edge=None).items()
    }
    files |= {
        "logger-In1.gbr": gerber("%TF.FileFunction,Copper,L2,Inr*%\n" + lead),
        "leads.drl": drill([(120, 120)], 1.0),
    }
    assert sum(bool(pad.apertures) for pad in read(files).pads) == 13


# ---- one region of many contours


def region(*boxes: tuple[float, float, float, float]) -> str:
    contours = "".join(
        f"{xy(x0, y0)}D02*\n{xy(x1, y0)}D01*\n{xy(x1, y1)}D01*\n{xy(x0, y1)}D01*\n{xy(x0, y0)}D01*\n"
        for x0, y0, x1, y1 in boxes
    )
    return f"G36*\n{contours}G37*\n"


def test_contours_of_one_region_are_judged_one_by_one():
    # Two small lands of a transistor, drawn in one region with eight large ones that the mask mostly covers.
    small = [(110.0, 105.0, 110.6, 105.4), (112.0, 105.0, 112.6, 105.4)]
    large = [(107.0 + 3 * n, 110.0, 109.0 + 3 * n, 120.0) for n in range(8)]
    files = {
        "b-F_Cu.gtl": gerber(region(*large, *small)),
        "b-F_Mask.gts": gerber(region(*small, (107.5, 111, 108.5, 112))),
        "b-F_Paste.gtp": gerber(region(*small)),
        "b-Edge.gko": gerber(EDGE),
    }
    board = read(files)
    pasted = [pad for pad in board.pads if pad.apertures]
    assert [round(pad.land.area, 3) for pad in pasted] == [0.24, 0.24]
    assert [round(pad.aperture_area_mm2, 3) for pad in pasted] == [0.24, 0.24]
    assert all(pad.land.area == approx(pad.aperture_area_mm2) for pad in pasted)


def test_a_legend_in_the_region_of_the_pads_takes_no_pad_with_it():
    pads = [(110.0 + 2 * n, 105.0, 111.0 + 2 * n, 105.5) for n in range(2)]
    legend = [(110.0 + 2 * n, 115.0, 111.0 + 2 * n, 117.0) for n in range(8)]
    files = {
        "b-F_Cu.gtl": gerber(region(*pads)),
        "b-F_Mask.gts": gerber(region(*pads)),
        "b-F_Paste.gtp": gerber(region(*pads, *legend)),
        "b-Edge.gko": gerber(EDGE),
    }
    board = read(files)
    assert pasted_mm2(board) == approx(2 * 0.5) and len(board.left_out) == 8


# ---- touching openings

ROW = [(108.0 + n, 105.0, 108.6 + n, 106.0) for n in range(6)]
"""Six lands 0.4 mm apart."""


def row_of(paste: str) -> Board:
    return read(
        {
            "b-F_Cu.gtl": gerber(region(*ROW)),
            "b-F_Mask.gts": gerber(region(*ROW)),
            "b-F_Paste.gtp": gerber(paste),
            "b-Edge.gko": gerber(EDGE),
        }
    )


def test_openings_that_touch_belong_each_to_the_land_beneath():
    # Each opening is as wide as land and gap: they abut, and once were one opening over one land.
    board = row_of("".join(region((x0 - 0.2, y0, x1 + 0.2, y1)) for x0, y0, x1, y1 in ROW))
    assert [round(pad.aperture_area_mm2, 6) for pad in board.pads] == [1.0] * 6
    assert not any("run over several pads" in problem.what for problem in board.problems)


def test_one_opening_over_several_lands_is_shared_out_among_them():
    board = row_of(region(*((x0 - 0.2, y0, x1 + 0.2, y1) for x0, y0, x1, y1 in ROW)))
    assert [pad.aperture_area_mm2 for pad in board.pads] == approx([1.0] * 6, rel=0.01)
    assert pasted_mm2(board) == approx(6.0)
    assert any("run over several pads" in problem.what for problem in board.problems)


def test_openings_that_overlap_are_not_pasted_twice():
    board = row_of("".join(region((x0 - 0.25, y0, x1 + 0.25, y1)) for x0, y0, x1, y1 in ROW))
    areas = [pad.aperture_area_mm2 for pad in board.pads]
    assert sum(areas) == approx(6.1) and min(areas) == approx(1.0) and max(areas) == approx(1.1)


def test_a_pad_painted_beyond_its_land_stays_one_opening():
    strokes = "".join(
        lines((107.9, y), (108.7, y)) for y in (105.0, 105.09, 105.18, 105.27, 105.9, 105.99, 106.06, 106.12)
    )
    board = row_of(strokes + region((107.85, 105.0, 108.75, 106.05)))
    pasted = [pad for pad in board.pads if pad.apertures]
    assert len(pasted) == 1 and len(pasted[0].apertures) == 1


# ---- two boards in one zip


def two_boards() -> dict[str, str]:
    other = {name.replace("logger", "sensor"): text for name, text in logger().items()}
    other["sensor.drl"] = drill([(x + 0.7, y - 5) for x, y in HOLES], 1.0)
    return logger() | other


def test_two_boards_are_refused_with_the_words_to_choose():
    words = refused(two_boards())
    assert "2 boards lie here: logger, sensor" in words
    assert "--layer 'logger-Edge.gko=outline' for logger" in words
    assert "--layer 'sensor-Edge.gko=outline' for sensor" in words


def test_those_words_choose_the_board_and_its_own_drills():
    board = read(two_boards(), roles={"logger-Edge.gko": LayerRole.OUTLINE})
    alone = read(logger())
    assert [(h.x_mm, h.y_mm) for h in board.holes] == [(h.x_mm, h.y_mm) for h in alone.holes]
    assert {use.file for use in board.layers if use.used} == set(logger())
    assert any("of another board, sensor" in use.note for use in board.layers)


def test_a_board_called_like_the_zip_is_the_one_meant():
    board = read(two_boards(), name="Sensor")
    assert all(hole.diameter_mm == 1.0 for hole in board.holes)


def test_boards_in_folders_are_told_apart_by_the_folders():
    files = {f"{folder}/{name}": text for folder in ("one", "two") for name, text in logger().items()}
    files["two/logger-F_Cu.gtl"] += "\n"
    files["two/logger-F_Paste.gtp"] += "\n"
    assert "2 boards lie here: one, two" in refused(files)


# ---- a layer cut short


def cut(text: str) -> str:
    """The file without its last line of pads and all that follows."""
    return text[: text.rindex("X")]


def test_a_paste_layer_that_was_cut_short_is_refused():
    files = logger()
    files["logger-F_Paste.gtp"] = cut(files["logger-F_Paste.gtp"])
    assert "ends without its end word" in refused(files)
    board = read(files, cut_short=True)
    assert pasted_mm2(board) == approx(11 * 0.5)
    assert any(p.file == "logger-F_Paste.gtp" and p.severity is Severity.WARNING for p in board.problems)


def test_a_mask_that_was_cut_short_is_refused_only_where_paste_comes_from_it():
    files = logger()
    files["logger-F_Mask.gts"] = cut(files["logger-F_Mask.gts"])
    assert any("does not end" in problem.what for problem in read(files).problems)
    del files["logger-F_Paste.gtp"]
    assert "the top mask layer ends without" in refused(files)


# ---- one file in another frame


def test_an_outline_in_another_place_does_not_move_the_board():
    board = read(logger(edge=ring(0, 0, 30, 25)))
    assert board.outline is None and board.size_mm == approx((10, 6.5))
    assert "drawn in another place than the copper" in whats(board)


def test_drills_that_miss_the_copper_are_not_used():
    files = logger()
    files["logger.drl"] = drill([(x + 200, y) for x, y in HOLES])
    board = read(files)
    assert board.holes == () and "only 0 of 10 holes meet copper" in whats(board)
    assert board.size_mm == approx((30, 25))


def test_a_folder_that_holds_zips_says_which_is_the_board():
    packed = io.BytesIO()
    with zipfile.ZipFile(packed, "w") as archive:
        for name, text in logger().items():
            archive.writestr(f"gerbers/{name}", text)
    other = io.BytesIO()
    with zipfile.ZipFile(other, "w") as archive:
        archive.writestr("model.step", "a body")
    sources = [SourceFile(name="logger-fab.zip", data=packed.getvalue())]
    sources.append(SourceFile(name="bodies.zip", data=other.getvalue()))
    with pytest.raises(InputError) as caught:
        board_of_files(sources, Ask(side=Side.TOP))
    words = str(caught.value)
    assert "'logger-fab.zip' (outline, top copper, top mask, top paste)" in words
    assert "Give that zip itself" in words and "bodies" not in words


# ---- what the board is, in one line


def test_one_line_says_what_the_board_is_and_how_sure():
    board = read(logger())
    assert board.in_words == (
        "30.0 × 25.0 mm, top side (one side has a paste layer), 0 named parts, 12 pads (12 pasted), 10 holes; "
        "sure: closed outline, 12 of 12 paste openings on copper, 10 of 10 plated holes in copper"
    )


def test_a_board_without_an_outline_is_only_fairly_sure():
    assert read(logger(edge=None)).certainty.startswith("fairly sure: no outline")


def test_sources_that_disagree_make_it_unsure():
    files = logger()
    files["logger.drl"] = drill([*HOLES[:6], *((x, y - 3.7) for x, y in HOLES[6:])])
    assert "6 of 10 plated holes in copper" in read(files).certainty
    assert read(files).certainty.startswith("unsure")
