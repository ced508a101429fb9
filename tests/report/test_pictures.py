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
from pastewright.place.transform import Placements, PlaceStep, affine
from pastewright.records.plan import FindingRecord
from pastewright.report.beside import beside_of
from pastewright.report.board_svg import board_svg
from pastewright.report.colours import FILL_EDGES, FILL_SCALE, fill_colour
from pastewright.report.page import report_page
from pastewright.report.render import render_report

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
    assert reader.rows == len(plan.pads) + len(plan.board.layers) + 2
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
    (path,) = [path for path in root.iter(f"{SVG}path") if path.find(f"{SVG}title") is not None
               and path.find(f"{SVG}title").text == "settling strip"]  # fmt: skip
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
