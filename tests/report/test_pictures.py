"""The picture and the page: complete, to scale, self-contained, and safe with odd names."""

import re
import xml.etree.ElementTree as ET
from dataclasses import replace
from html.parser import HTMLParser

import pytest
from demo_plans import plan_of
from msgspec import structs
from pytest import approx

from pastewright.board.model import Side
from pastewright.link.job import read_job
from pastewright.motion.model import Step
from pastewright.place.transform import Placements, PlaceStep, affine
from pastewright.plan.compare import compare_boards
from pastewright.plan.tolerances import WORST
from pastewright.records.plan import FindingRecord
from pastewright.report.beside import beside_of
from pastewright.report.board_svg import Planned, board_svg
from pastewright.report.colours import FILL_EDGES, FILL_SCALE, fill_colour
from pastewright.report.compare_svg import compare_svg
from pastewright.report.page import report_page
from pastewright.report.render import render_report
from pastewright.report.run_svg import run_svg
from pastewright.report.tray_svg import tray_svg

SVG = "{http://www.w3.org/2000/svg}"


@pytest.fixture(scope="module")
def pages() -> tuple[str, str]:
    return render_report(plan_of(Side.TOP))


def test_the_picture_shows_every_deposit_where_it_lies_and_as_wide_as_it_is(pages: tuple[str, str]):
    plan = plan_of(Side.TOP)
    root = ET.fromstring(pages[0])
    circles = {
        (float(mark.get("cx", "nan")), float(mark.get("cy", "nan"))): float(mark.get("r", "nan"))
        for mark in root.iter(f"{SVG}circle")
        if mark.get("fill-opacity")
    }
    beads = [mark for mark in root.iter(f"{SVG}path") if mark.get("stroke-opacity") == "0.88"]
    dots = [deposit for deposit in plan.layout.deposits if deposit.kind == "dot"]
    assert len(beads) == len(plan.layout.deposits) - len(dots) > 0
    assert len(circles) == len(dots)
    for dot in dots:
        x, y = dot.points_mm[0]
        assert circles[round(x, 3) + 0.0, round(y, 3) + 0.0] == approx(dot.width_mm / 2, abs=5e-4)


def test_the_page_asks_nothing_of_the_network(pages: tuple[str, str]):
    page = pages[1]
    links = re.findall(r"""(?:src|href|url|action)\s*[=(]\s*["']?([^"')\s>]+)""", page)
    assert [link for link in links if not link.startswith("#")] == []
    assert "@import" not in page


class Tables(HTMLParser):
    def __init__(self) -> None:
        super().__init__()
        self.rows = 0
        self.text: list[str] = []

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        self.rows += tag == "tr"

    def handle_data(self, data: str) -> None:
        self.text.append(data)


def test_the_page_lists_every_pad_warning_and_caution(pages: tuple[str, str]):
    plan = plan_of(Side.TOP).record
    reader = Tables()
    reader.feed(pages[1])
    text = " ".join(reader.text)
    worst = 1 + WORST  # a head, and the pads that may be off most
    assert reader.rows == len(plan.pads) + len(plan.board.layers) + 2 + worst
    for words in plan.warnings:
        assert words in text
    for word in ("pinch", "Blunt", "blunt", "fumes", "data sheet"):
        assert word in text or word.lower() in text
    assert "Verified" in text


def test_names_from_files_cannot_break_the_page():
    plan = plan_of(Side.TOP).record
    evil = '<script>alert("x")</script>&'
    pad = structs.replace(plan.pads[0], id=evil, net=evil, reason=evil, warnings=(evil,))
    board = structs.replace(plan.board, name=evil)
    page = report_page(structs.replace(plan, pads=(pad,), board=board), board_svg="")
    assert evil not in page
    assert page.count("<script") == 1


def test_findings_are_told_in_place_of_the_verdict():
    plan = plan_of(Side.TOP).record
    finding = FindingRecord(kind="missing", what="the dot of R1-1 is not laid", line=12, pad="R1-1")
    verdict = structs.replace(plan.verdict, ok=False, findings=(finding,))
    page = report_page(structs.replace(plan, verdict=verdict), board_svg="")
    assert "Not verified" in page
    assert "the dot of R1-1 is not laid (line 12)" in page


def test_a_board_that_was_only_read_is_drawn_with_its_apertures():
    board = plan_of(Side.BOTTOM).board
    root = ET.fromstring(board_svg(board))
    left, _, width, height = map(float, root.get("viewBox", "").split())
    assert left < 0 < board.size_mm[0] < left + width
    assert height > board.size_mm[1]
    assert "paste aperture" in ET.tostring(root, encoding="unicode")


def test_colours_step_where_the_legend_says():
    for edge, (_, below, _), (_, above, _) in zip(FILL_EDGES, FILL_SCALE, FILL_SCALE[1:], strict=False):
        assert fill_colour(edge - 1e-6) == below
        assert fill_colour(edge) == above


def titles(picture: str) -> list[str]:
    return [element.text or "" for element in ET.fromstring(picture).iter(f"{SVG}title")]


def test_strip_and_park_place_are_drawn_where_the_program_has_them():
    plan = plan_of(Side.TOP)
    picture, _ = render_report(plan)
    root = ET.fromstring(picture)
    left, top, width, height = map(float, root.attrib["viewBox"].split())
    (strip,) = plan.record.placement.strips
    (board,) = plan.record.placement.boards
    x, y = (a - b for a, b in zip(strip.from_mm, board.shift_mm, strict=True))
    (path,) = [path for path in root.iter(f"{SVG}path") if path.findtext(f"{SVG}title") == "settling strip"]
    assert path.attrib["d"].startswith(f"M{x:g} {y:g}L")
    assert left <= x <= left + width and top <= -y <= top + height
    # The park place of this bench is far from the board: an arrow says where.
    assert any(
        words.startswith("park place, ") and words.endswith("mm further this way")
        for words in titles(picture)
    )


def test_what_lies_beside_a_turned_board_is_seen_from_the_board():
    plan = plan_of(Side.TOP)
    where = affine(turn_deg=90, shift_mm=(150.0, 80.0))
    board = replace(plan.placements.boards[0], steps=(PlaceStep(what="by hand", affine=where),))
    seen = beside_of(plan.profile, Placements(boards=(board,)), strip_mm=1.0, back=where.inverse())
    bed = plan.profile.bed
    for (x, y), known in zip(seen.strips[0], ((0.0, 0.0), (bed.strip_length_mm, 0.0)), strict=True):
        assert where.point((x, y)) == approx((bed.strip_x_mm + known[0], bed.strip_y_mm))
    assert where.point(seen.park) == approx((bed.park_x_mm, bed.park_y_mm))


def legend_of(root: ET.Element) -> list[tuple[float, float, float, str]]:
    """Words outside the flipped body: x, y, size, text."""
    return [
        (
            float(text.get("x", "")),
            float(text.get("y", "")),
            float(text.get("font-size", "")),
            text.text or "",
        )
        for text in root.findall(f"{SVG}text")
    ]


def drawn_pictures() -> dict[str, str]:
    plan = plan_of(Side.TOP)
    same = compare_boards(plan.board, plan.board, None)
    job = read_job(plan.program.text, plan.record, file="program.gcode", plan_file="plan.json")
    return {
        "board": board_svg(plan.board),
        "plan": board_svg(plan.board, Planned(layout=plan.layout, tour=plan.tour)),
        "comparison": compare_svg(plan.board, plan.board, same),
        "run": run_svg(job, {}),
        "tray": tray_svg(
            plan.board,
            plan.layout,
            plan.placements,
            plan.motions,
            beside_of(plan.profile, plan.placements, strip_mm=1.0),
        ),
    }


@pytest.mark.parametrize("name", ["board", "plan", "comparison", "run", "tray"])
def test_words_of_a_legend_stand_apart_and_inside_and_can_be_read(name: str):
    root = ET.fromstring(drawn_pictures()[name])
    left, top, width, height = map(float, root.get("viewBox", "").split())
    scale = float(root.get("width", "")) / width
    words = [one for one in legend_of(root) if one[1] > top + height * 0.6]
    assert len(words) >= 3
    for x, y, size, text in words:
        end = x + 0.6 * size * len(text)  # letters of common sans-serif fonts are about so wide
        assert end <= left + width + 1e-6
        assert y < top + height
        assert size * scale >= 14  # pixels, where the picture stands alone
        for other_x, other_y, _, other in words:
            if other != text and abs(other_y - y) < size / 2 and other_x > x:
                assert other_x - 1.4 * size >= end, (text, other)


def test_all_travel_of_a_tray_is_inside_its_picture():
    plan = plan_of(Side.TOP)
    root = ET.fromstring(drawn_pictures()["tray"])
    left, top, width, height = map(float, root.get("viewBox", "").split())
    for move in plan.motions.moves:
        if move.step is not Step.RAISE:
            assert left <= move.x_mm <= left + width
            assert top <= -move.y_mm <= top + height


def test_parts_are_named_and_a_page_can_find_each_pad(pages: tuple[str, str]):
    board = plan_of(Side.TOP).board
    alone = ET.fromstring(pages[0])
    names = [text.text for text in alone.iter(f"{SVG}text")]
    for ref in {pad.ref for pad in board.pads if pad.ref}:
        assert names.count(ref) == 1
    assert "data-pad" not in pages[0]
    for pad in board.pads:
        assert f'<path data-pad="{pad.id}"' in pages[1]
        assert f'<tr data-pad="{pad.id}"' in pages[1]
