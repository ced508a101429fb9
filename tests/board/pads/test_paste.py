"""Paste or graphics: real paste layers hold frames, legends and outlines, and paint pads with strokes."""

from math import pi

import pytest
from pytest import approx
from shapely.geometry import box

from pastewright.board.artwork import Layer
from pastewright.board.gerber.read import read_gerber
from pastewright.board.model import Area
from pastewright.board.pads.graphics import graphics_of
from pastewright.board.pads.lands import find_lands
from pastewright.board.pads.paste import PasteShapes, find_paste
from pastewright.problems import InputError, Severity

APERTURES = (
    "%ADD10C,0.05*%\n%ADD11R,1X0.5*%\n%ADD12R,1.2X0.7*%\n%ADD13R,4X4*%\n%ADD14R,4.2X4.2*%\n%ADD15C,0.1*%\n"
    "%ADD16C,0.3*%\n%ADD17R,1.5X1.5*%\n%ADD18C,1*%\n%ADD19R,0.5X0.5*%\n"
)
HEAD = f"%FSLAX46Y46*%\n%MOMM*%\n{APERTURES}G01*\n%LPD*%\n"
PADS = [(5.0, 5.0), (8.0, 5.0), (5.0, 9.0), (8.0, 9.0)]


def xy(x_mm: float, y_mm: float) -> str:
    return f"X{round(x_mm * 1e6)}Y{round(y_mm * 1e6)}"


def flash(code: int, *places: tuple[float, float]) -> str:
    return f"D{code}*\n" + "".join(f"{xy(x, y)}D03*\n" for x, y in places)


def stroke(code: int, *points: tuple[float, float]) -> str:
    return f"D{code}*\n{xy(*points[0])}D02*\n" + "".join(f"{xy(*point)}D01*\n" for point in points[1:])


def rectangle(code: int, x0: float, y0: float, x1: float, y1: float) -> str:
    return stroke(code, (x0, y0), (x1, y0), (x1, y1), (x0, y1), (x0, y0))


def region(x0: float, y0: float, x1: float, y1: float) -> str:
    corners = [(x1, y0), (x1, y1), (x0, y1), (x0, y0)]
    return f"G36*\n{xy(x0, y0)}D02*\n" + "".join(f"{xy(*corner)}D01*\n" for corner in corners) + "G37*\n"


def painted(x: float, y: float, *, half: float = 0.45) -> str:
    """A pad painted as some programs do: a border of strokes 0.1 mm wide, filled with more of them."""
    rows = int(2 * half / 0.08) + 1
    fill = "".join(
        stroke(15, (x - half, y - half + n * 0.08), (x + half, y - half + n * 0.08)) for n in range(rows)
    )
    return rectangle(15, x - half, y - half, x + half, y + half) + fill


def layer(body: str, file: str = "paste.gbr") -> Layer:
    return read_gerber((HEAD + body + "M02*\n").encode(), file)


COPPER, MASK = flash(11, *PADS), flash(12, *PADS)


def paste(
    body: str, *, copper: str | None = COPPER, mask: str | None = MASK, outline: Area | None = None
) -> PasteShapes:
    found = find_lands(
        layer(copper, "copper.gbr") if copper is not None else None,
        layer(mask, "mask.gbr") if mask is not None else None,
    )
    return find_paste(layer(body), found, outline)


def total_mm2(found: PasteShapes) -> float:
    return sum(opening.shape.area for opening in found.openings)


def test_flashes_over_exposed_copper_are_paste():
    found = paste(flash(11, *PADS))
    assert len(found.openings) == 4 and total_mm2(found) == approx(2.0)
    assert not found.left_out and not found.problems


def test_each_opening_remembers_its_file_and_line():
    found = paste(flash(11, *PADS))
    first = HEAD.count("\n") + 2
    assert [(o.source.file, o.source.line) for o in found.openings] == [
        ("paste.gbr", first + n) for n in range(4)
    ]


def test_the_boards_outline_drawn_into_the_paste_layer_is_left_out_and_named():
    found = paste(flash(11, *PADS) + rectangle(10, 0, 0, 20, 15), outline=box(0, 0, 20, 15))
    assert total_mm2(found) == approx(2.0)
    assert len(found.left_out) == 1
    assert found.left_out[0].reason.startswith("board outline") and "4 strokes" in found.left_out[0].reason
    assert found.left_out[0].shape.area == approx(70 * 0.05, rel=1e-2)


def test_the_outline_drawn_into_paste_copper_and_mask_is_still_no_paste():
    edge = rectangle(10, 0, 0, 20, 15)
    drawn = layer(flash(11, *PADS) + edge)
    lands = find_lands(layer(COPPER + edge), layer(MASK + edge))
    for graphics in (None, graphics_of(drawn, layer(edge), (), ())):
        found = find_paste(drawn, lands, box(0, 0, 20, 15), graphics=graphics)
        assert total_mm2(found) == approx(2.0)
        assert [each.reason.split(":")[0] for each in found.left_out] == ["board outline"]


def test_frames_legends_and_text_are_left_out_with_the_reason():
    frame = rectangle(15, -10, -10, 40, 30)
    legend = stroke(15, (22, 2), (23, 4), (24, 2)) + stroke(15, (26, 2), (26, 4))
    text = stroke(15, (12, 12), (13, 13))
    found = paste(flash(11, *PADS) + frame + legend + text, outline=box(0, 0, 20, 15))
    assert total_mm2(found) == approx(2.0)
    reasons = [each.reason for each in found.left_out]
    assert len(reasons) == 4
    assert sum("outside the board" in reason for reason in reasons) == 2
    assert sum("frame" in reason and "outside" not in reason for reason in reasons) == 1
    assert sum("no exposed copper beneath" in reason for reason in reasons) == 1


def test_an_outline_attribute_is_believed():
    body = (
        flash(11, *PADS) + "%TA.AperFunction,Profile*%\n%ADD30C,0.1*%\n%TD*%\n" + stroke(30, (5, 5), (5.4, 5))
    )
    found = paste(body)
    assert [each.reason for each in found.left_out] == ["board outline: its attribute says so (1 stroke)"]


def test_strokes_that_paint_a_pad_are_paste_and_become_one_opening():
    copper, mask = flash(17, *PADS), flash(17, *PADS)
    found = paste("".join(painted(*pad) for pad in PADS), copper=copper, mask=mask)
    assert len(found.openings) == 4 and not found.left_out
    # 0.9 mm between centre lines and 0.1 mm of stroke: a square of 1 mm with round corners of 0.05 mm.
    assert found.openings[0].shape.area == approx(1.0 - (4 - pi) * 0.05**2, rel=1e-3)


def test_a_painted_pad_a_little_larger_than_its_land_stays_whole():
    # Painted 1.1 mm wide over a land of 1.0 mm: the border strokes alone lie off the copper.
    found = paste(
        painted(5, 5, half=0.55), copper=region(4.5, 4.5, 5.5, 5.5), mask=region(4.5, 4.5, 5.5, 5.5)
    )
    assert len(found.openings) == 1 and not found.left_out
    assert total_mm2(found) == approx(1.2**2, rel=2e-2)


def test_a_frame_that_runs_into_a_painted_pad_is_left_out_and_the_pad_is_kept():
    found = paste(
        painted(5, 5) + stroke(15, (5, 5), (5, 40)), copper=flash(17, (5, 5)), mask=flash(17, (5, 5))
    )
    assert total_mm2(found) == approx(1.0, rel=1e-2)
    assert len(found.left_out) == 1 and "1 stroke" in found.left_out[0].reason


def test_overlapping_and_abutting_flashes_are_one_opening():
    found = paste(flash(19, (4.75, 5), (5.25, 5)) + flash(11, (8, 5), (8.1, 5)))
    assert len(found.openings) == 2
    assert sorted(opening.shape.area for opening in found.openings) == approx([0.5, 0.55])


def test_flashes_a_hair_apart_are_one_opening_too():
    # An inch file rounds the shared edge of two halves to either side: 0.4 µm between them.
    found = paste(flash(19, (4.75, 5), (5.2504, 5)))
    assert len(found.openings) == 1 and total_mm2(found) == approx(0.5, rel=2e-3)


def test_clear_objects_cut_window_panes():
    cross = "%LPC*%\n" + stroke(16, (3, 5), (7, 5)) + stroke(16, (5, 3), (5, 7)) + "%LPD*%\n"
    found = paste(flash(13, (5, 5)) + cross, copper=flash(13, (5, 5)), mask=flash(14, (5, 5)))
    assert len(found.openings) == 4
    assert total_mm2(found) == approx(3.7**2, rel=1e-6)


def test_paste_mostly_over_exposed_copper_counts_in_full():
    found = paste(flash(11, *PADS[:3]) + flash(11, (8.3, 9)))  # the last is 70 % over its pad
    assert len(found.openings) == 4 and total_mm2(found) == approx(2.0)


def test_a_flash_mostly_off_the_copper_is_left_out():
    found = paste(flash(11, *PADS[:3]) + flash(11, (8.6, 9)))  # 40 % over its pad
    assert len(found.openings) == 3
    assert "no exposed copper beneath" in found.left_out[0].reason


def test_paste_over_copper_that_the_mask_covers_is_left_out_with_a_warning():
    found = paste(flash(11, *PADS), mask=flash(12, *PADS[:2]))
    assert len(found.openings) == 2 and len(found.left_out) == 2
    assert [problem.severity for problem in found.problems] == [Severity.WARNING]
    assert "2 of 4" in found.problems[0].what


def test_paste_over_a_pour_finds_the_land_that_the_mask_defines():
    found = paste(flash(11, (5, 5)), copper=region(0, 0, 10, 10), mask=flash(12, (5, 5)))
    assert len(found.openings) == 1


def test_paste_over_a_pour_beside_a_small_flash_in_one_opening_gets_the_whole_land():
    copper = region(0, 0, 10, 10) + flash(19, (3.5, 5))
    found = paste(flash(17, (5.5, 5)), copper=copper, mask=flash(13, (5, 5)))
    assert len(found.openings) == 1
    assert [land.shape.area for land in found.instead.values()] == [approx(16.0)]


def test_a_layer_that_is_not_over_the_pads_is_refused_and_says_how_to_mend_it():
    with pytest.raises(InputError) as caught:
        paste(flash(11, *[(x + 50, y) for x, y in PADS]))
    problem = caught.value.problems[0]
    assert "only 0 of 4" in problem.what and problem.file == "paste.gbr" and "origin" in problem.mend


def test_an_empty_paste_layer_is_no_error():
    found = paste("")
    assert not found.openings and not found.left_out


def test_without_copper_the_mask_decides_and_without_mask_the_copper():
    graphics = rectangle(15, 0, 0, 20, 15)
    for copper, mask in ((None, MASK), (COPPER, None)):
        found = paste(flash(11, *PADS) + graphics, copper=copper, mask=mask)
        assert len(found.openings) == 4 and len(found.left_out) == 1


def test_without_a_mask_a_painted_pad_over_painted_copper_is_paste_and_text_over_a_pour_is_not():
    text = stroke(15, (13, 12), (14, 13), (15, 12))
    copper = painted(5, 5, half=0.5) + region(10, 10, 18, 14)
    found = paste(painted(5, 5) + flash(11, (12, 11)) + text, copper=copper, mask=None)
    assert len(found.openings) == 2 and total_mm2(found) == approx(1.5, rel=1e-2)
    assert len(found.left_out) == 1


def test_with_neither_copper_nor_mask_the_shape_decides_with_a_warning():
    body = flash(11, *PADS) + rectangle(10, 0, 0, 20, 15) + painted(12, 12) + stroke(15, (15, 1), (17, 1))
    found = paste(body, copper=None, mask=None, outline=box(0, 0, 20, 15))
    assert len(found.openings) == 5
    assert total_mm2(found) == approx(3.0, rel=1e-2)
    assert len(found.left_out) == 2
    assert [p.severity for p in found.problems] == [Severity.WARNING] and "shape alone" in found.problems[
        0
    ].what


def test_the_component_attribute_of_the_paste_layer_is_kept():
    found = paste("%TO.C,R7*%\n" + flash(11, PADS[0]) + "%TD*%\n" + flash(11, PADS[1]))
    assert [opening.ref for opening in found.openings] == ["R7", ""]


def test_nothing_is_lost_between_paste_and_left_out():
    body = (
        flash(11, *PADS) + rectangle(10, 0, 0, 20, 15) + stroke(15, (12, 12), (13, 13)) + region(14, 2, 16, 3)
    )
    found = paste(body)
    drawn = layer(body)
    everything = sum(thing.shape.area for thing in drawn.objects)
    kept = total_mm2(found) + sum(each.shape.area for each in found.left_out)
    # The four corners of the frame overlap, by a round end of 0.05 mm each.
    assert kept == approx(everything, abs=4 * 0.05**2)
