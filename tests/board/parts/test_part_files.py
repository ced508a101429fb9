"""Centroid files as people have them: spreadsheets, no unit, parts that the fit names in part only."""

import io
import zipfile
from dataclasses import replace

import pytest
from pytest import approx
from shapely import box

from pastewright.board.ask import Ask
from pastewright.board.model import Board, PartlyNamed, Side, Source
from pastewright.board.pads.lands import Land
from pastewright.board.pads.partly import partly_named
from pastewright.board.pads.site import Site
from pastewright.board.parts.centroid import read_centroids
from pastewright.board.read import board_of_files
from pastewright.board.source.files import SourceFile
from pastewright.dose.rules import missed_by_rules
from pastewright.problems import InputError
from pastewright.profile.model import DoseRule

PARTS = [(f"R{n}", 3.0 + 4.1 * (n % 4), 3.0 + 3.3 * (n // 4) + 0.41 * n) for n in range(10)]


def xlsx(*sheets: list[list[object]]) -> bytes:
    """A spreadsheet of the smallest kind that ECMA-376 allows: inline strings, no styles."""

    def cell(value: object) -> str:
        if isinstance(value, str):
            return f'<c t="inlineStr"><is><t>{value}</t></is></c>'
        return f"<c><v>{value}</v></c>"

    main = "http://schemas.openxmlformats.org/spreadsheetml/2006/main"
    office = "http://schemas.openxmlformats.org/officeDocument/2006/relationships"
    package = "http://schemas.openxmlformats.org/package/2006"
    numbers = range(1, len(sheets) + 1)
    kinds = "".join(
        f'<Override PartName="/xl/worksheets/sheet{n}.xml" ContentType='
        '"application/vnd.openxmlformats-officedocument.spreadsheetml.worksheet+xml"/>'
        for n in numbers
    )
    names = "".join(f'<sheet name="s{n}" sheetId="{n}" r:id="r{n}"/>' for n in numbers)
    targets = "".join(
        f'<Relationship Id="r{n}" Type="{office}/worksheet" Target="worksheets/sheet{n}.xml"/>'
        for n in numbers
    )
    files = {
        "[Content_Types].xml": f'<Types xmlns="{package}/content-types"><Default Extension="rels" ContentType='
        '"application/vnd.openxmlformats-package.relationships+xml"/><Override PartName="/xl/workbook.xml" ContentType='
        f'"application/vnd.openxmlformats-officedocument.spreadsheetml.sheet.main+xml"/>{kinds}</Types>',
        "_rels/.rels": f'<Relationships xmlns="{package}/relationships"><Relationship Id="r1" '
        f'Type="{office}/officeDocument" Target="xl/workbook.xml"/></Relationships>',
        "xl/workbook.xml": f'<workbook xmlns="{main}" xmlns:r="{office}"><sheets>{names}</sheets></workbook>',
        "xl/_rels/workbook.xml.rels": f'<Relationships xmlns="{package}/relationships">{targets}</Relationships>',
    }
    for number, rows in zip(numbers, sheets, strict=True):
        body = "".join("<row>" + "".join(map(cell, row)) + "</row>" for row in rows)
        files[f"xl/worksheets/sheet{number}.xml"] = (
            f'<worksheet xmlns="{main}"><sheetData>{body}</sheetData></worksheet>'
        )
    packed = io.BytesIO()
    with zipfile.ZipFile(packed, "w", zipfile.ZIP_DEFLATED) as archive:
        for name, text in files.items():
            archive.writestr(name, f'<?xml version="1.0" encoding="UTF-8"?>{text}')
    return packed.getvalue()


def rows(unit_mm: float = 1.0, head: str = "") -> list[list[object]]:
    header: list[object] = ["Ref", "Val", f"PosX{head}", f"PosY{head}", "Rot", "Side"]
    return [header, *([ref, "10k", x / unit_mm, y / unit_mm, 90, "top"] for ref, x, y in PARTS)]


def csv(unit_mm: float, head: str = "") -> bytes:
    return "\n".join(",".join(map(str, row)) for row in rows(unit_mm, head)).encode()


def board(**files: bytes) -> Board:
    head = "%FSLAX46Y46*%\n%MOMM*%\n%ADD11R,0.6X0.8*%\nD11*\n"
    flashes = "".join(
        f"X{round((x + dx) * 1e6)}Y{round(y * 1e6)}D03*\n" for _, x, y in PARTS for dx in (-0.7, 0.7)
    )
    film = f"{head}{flashes}M02*\n".encode()
    sources = [SourceFile(name=name, data=film) for name in ("b.gtp", "b.gts", "b.gtl")]
    sources.extend(SourceFile(name=name.replace("__", "."), data=data) for name, data in files.items())
    return board_of_files(sources, Ask(side=Side.TOP))


WANTED = [ref for ref, _, _ in PARTS for _ in range(2)]


def test_a_spreadsheet_of_parts_names_them():
    found = board(positions__xlsx=xlsx([["Logger, all parts"]], rows(head=" (mm)")))
    assert [pad.ref for pad in found.pads] == WANTED


def test_places_of_a_spreadsheet_keep_their_digits():
    parts = read_centroids(xlsx(rows(head=" (mm)")), "p.xlsx").parts
    assert [(p.ref, p.x_mm, p.y_mm) for p in parts] == [(r, approx(x), approx(y)) for r, x, y in PARTS]


@pytest.mark.parametrize(("unit", "mm"), [("mm", 1.0), ("mil", 0.0254), ("in", 25.4)])
def test_the_pads_tell_a_unit_that_the_file_does_not(unit, mm):
    found = board(positions__csv=csv(mm))
    assert [pad.ref for pad in found.pads] == WANTED
    assert any(f"read in {unit}, in which 10 of 10 parts" in problem.what for problem in found.problems)


def test_places_that_fit_in_no_unit_name_nothing():
    wild = "Ref,PosX,PosY\n" + "\n".join(f"R{n},{7.3 * n * n},{1.9 * (n * 37 % 11)}" for n in range(10))
    found = board(positions__csv=wild.encode())
    assert {pad.ref for pad in found.pads} == {""}
    assert any("nothing says which unit" in problem.what for problem in found.problems)


def test_a_file_that_states_its_unit_goes_before_one_that_does_not():
    found = board(a_positions__csv=csv(0.0254), b_positions__csv=csv(1.0, " (mm)"))
    assert [pad.ref for pad in found.pads] == WANTED
    assert any(p.file == "a_positions.csv" and "the same parts" in p.what for p in found.problems)


@pytest.mark.parametrize(
    "data", [b"PK\x03\x04 damaged", b"\xd0\xcf\x11\xe0" + b"x" * 600, xlsx(rows())[:-300]]
)
def test_a_damaged_spreadsheet_costs_names_only(data):
    with pytest.raises(InputError):
        read_centroids(data, "p.xlsx")
    found = board(positions__xlsx=data)
    assert len(found.pads) == len(WANTED)
    assert any(problem.file == "positions.xlsx" for problem in found.problems)


# ---- parts that are named in part


def ball(x: float, y: float, ref: str, size: float = 0.4) -> Site:
    land = Land(shape=box(x, y, x + size, y + size), source=Source(file="top.gtl"), ref=ref)
    return Site(land=land, paste=1, ref=ref, pin="")


def test_a_part_whose_pads_are_named_in_part_is_told_and_rules_say_what_they_miss():
    balls = [
        ball(i, j, "" if (i, j) in ((2, 2), (3, 1), (1, 3)) else "U1") for i in range(5) for j in range(5)
    ]
    others = [ball(8.0, 0.0, ""), ball(2.5, 2.5, "", size=0.2)]  # beside it; within it, but of another size
    found, problems = partly_named([*balls, *others], "pnp.csv")
    assert found == [PartlyNamed(ref="U1", named=22, of=25)]
    assert "U1 is named on 22 of 25 pads" in problems[0].what
    rule = DoseRule(ref="U*", scale=0.9, line=3)
    (words,) = missed_by_rules(
        [rule, DoseRule(ref="R*", skip=True), DoseRule(kind="thermal", skip=True)], found
    )
    assert "reaches 22 of the 25 pads of U1" in words
    assert not missed_by_rules([replace(rule, ref="C*")], found)


def test_a_part_whose_pads_are_all_named_is_not_told():
    assert partly_named([ball(i, j, "U1") for i in range(5) for j in range(5)], "pnp.csv") == ([], [])
