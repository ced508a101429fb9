"""Drill and rout files as programs really write sets of them: tools elsewhere, doubles, stops, plating by name."""

import pytest

from pastewright.board.ask import Ask
from pastewright.board.drill.doubles import without_doubles
from pastewright.board.drill.excellon import read_excellon
from pastewright.board.model import Side
from pastewright.board.read import board_of_files
from pastewright.board.source.files import SourceFile
from pastewright.problems import Severity

HOLES = [(1.0, 2.0), (3.0, 2.0), (5.0, 2.5)]


def file_text(
    *, header: str = "METRIC\n", tools: str = "T1C0.8\n", body: str | None = None, end: str = "M30\n"
) -> bytes:
    body = body if body is not None else "T1\n" + "".join(f"X{x:.3f}Y{y:.3f}\n" for x, y in HOLES)
    return f"M48\n{header}{tools}%\n{body}{end}".encode()


def beside(name: str, text: str) -> tuple[SourceFile, ...]:
    return (SourceFile(name=name, data=text.encode()),)


@pytest.mark.parametrize(
    "comment",
    [
        "; T1 = 0.8 mm",
        ";T01 0.8mm PLATED",
        "; Tool 1: 31.496 mil",
        ";T1C0.8",
        '; T1 - round - 0.031496"',
    ],
)
def test_sizes_that_stand_in_comments_are_read(comment):
    found = read_excellon(file_text(tools=comment + "\n"), "board.drl")
    assert [round(drill.diameter_mm, 3) for drill in found.drills] == [0.8] * 3


def test_sizes_that_stand_in_brackets_are_read():
    found = read_excellon(file_text(tools="(T1 0.8 mm NPTH)\n"), "board.rou")
    assert [drill.diameter_mm for drill in found.drills] == [0.8] * 3
    assert [drill.plated for drill in found.drills] == [False] * 3


@pytest.mark.parametrize(
    ("name", "text"),
    [
        ("board.tol", "Tool list of the rout program\nT1 0.8 mm\n"),
        ("board.tools", "M48\nMETRIC\nT01C0.8\n%\n"),
        ("board.tap", "METRIC\nT01C0.8\n"),
    ],
)
def test_tools_of_a_rout_file_stand_in_a_file_beside_it(name, text):
    found = read_excellon(file_text(tools=""), "board.rou", companions=beside(name, text))
    assert [drill.diameter_mm for drill in found.drills] == [0.8] * 3
    assert any(f"from the report {name}" in problem.what for problem in found.problems)


def test_tools_of_another_board_are_not_taken():
    text = "METRIC\nT01C0.8\n"
    own = read_excellon(file_text(), "board.drl", companions=beside("sensor.tap", text))
    assert [drill.diameter_mm for drill in own.drills] == [0.8] * 3
    with pytest.raises(Exception, match="T1 has no diameter"):
        read_excellon(file_text(tools=""), "board.rou", companions=beside("sensor.tap", text))


def test_a_stop_in_the_middle_does_not_end_the_file():
    body = "T1\nX1.0Y2.0\nM00\nX3.0Y2.0\nX5.0Y2.5\nM00\n"
    found = read_excellon(file_text(body=body, end=""), "board.drl")
    assert [(drill.x_mm, drill.y_mm) for drill in found.drills] == HOLES
    assert not any("cut short" in problem.what for problem in found.problems)


@pytest.mark.parametrize(
    ("name", "plated"),
    [
        ("board-PTH.drl", True),
        ("board-NPTH.drl", False),
        ("board_vias.drl", True),
        ("Board.NonPlate.drl", False),
        ("board-unplated.drl", False),
        ("board.drl", None),
        ("aviation.drl", None),
    ],
)
def test_the_name_says_whether_holes_are_plated(name, plated):
    assert read_excellon(file_text(), name).plated is plated


@pytest.mark.parametrize(
    ("words", "plated"),
    [
        (";TYPE=PLATED", True),
        (";TYPE=NON_PLATED", False),
        ("; NON-PLATED HOLES", False),
        ("; Layer: plated through-holes", True),
        ("(NPTH)", False),
        ("; not plated yet, ask first", None),
    ],
)
def test_the_header_says_whether_holes_are_plated(words, plated):
    assert read_excellon(file_text(header=f"METRIC\n{words}\n"), "board.drl").plated is plated


def test_a_hole_that_stands_in_two_files_is_taken_once():
    every = read_excellon(file_text(), "board.drl")
    vias = read_excellon(file_text(body="T1\nX1.0Y2.0\nX3.0Y2.0\nX9.0Y9.0\n"), "board-vias.drl")
    (one, other), problems = without_doubles([every, vias])
    assert [(drill.x_mm, drill.y_mm) for drill in (*one.drills, *other.drills)] == [*HOLES, (9.0, 9.0)]
    assert [drill.plated for drill in one.drills] == [True, True, None]  # the vias' file is the one that says
    assert [problem.what for problem in problems] == [
        "2 of its 3 holes stand in board.drl too: each is taken once"
    ]


def test_holes_of_other_sizes_or_places_are_no_doubles():
    one = read_excellon(file_text(), "a.drl")
    other = read_excellon(file_text(tools="T1C0.9\n"), "b.drl")
    assert sum(len(file.drills) for file in without_doubles([one, other])[0]) == 6


GERBER = "%FSLAX46Y46*%\n%MOMM*%\n%ADD11R,1X0.5*%\nD11*\nX1000000Y1000000D03*\nX4000000Y1000000D03*\nM02*\n"
SET = {"b.gtp": GERBER, "b.gts": GERBER, "b.gtl": GERBER}


@pytest.mark.parametrize(
    ("name", "text", "unknown"),
    [
        ("b.drl", "M48\nINCH\nT1C0.03\n%\nT1\nX1Y1G33X2Y2A1\nM30\n", "its holes are not known"),
        ("b.rou", "M48\nMETRIC\n%\nT1\nG00X1.0Y1.0\nM15\nG01X2.0Y1.0\nM17\nM30\n", "its holes are not known"),
        ("b.ipc", "317NET   nothing of sense\n", "stay without part and pin"),
    ],
)
def test_one_unreadable_file_warns_of_what_is_unknown_and_refuses_nothing(name, text, unknown):
    files = [SourceFile(name=each, data=data.encode()) for each, data in (SET | {name: text}).items()]
    board = board_of_files(files, Ask(side=Side.TOP))
    assert sum(bool(pad.apertures) for pad in board.pads) == 2
    own = [problem for problem in board.problems if problem.file == name]
    assert all(problem.severity is not Severity.ERROR for problem in board.problems)
    assert any(unknown in f"{problem.what} {problem.mend}" for problem in own)
