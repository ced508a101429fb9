"""Drill files of many customs to holes and slots; nothing is guessed in silence."""

import math
import warnings
from itertools import pairwise
from pathlib import Path

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from pytest import approx

from pastewright.board.artwork import DrillFile
from pastewright.board.drill.excellon import read_excellon
from pastewright.board.drill.gerber_drills import drills_of_gerber
from pastewright.board.source.files import SourceFile
from pastewright.problems import InputError, Severity


def read(text: str, file: str = "holes.drl", **reports: str) -> DrillFile:
    companions = tuple(
        SourceFile(name=name.replace("__", "."), data=t.encode()) for name, t in reports.items()
    )
    return read_excellon(text.encode("latin-1"), file, companions=companions)


def body(header: str, *lines: str, tools: str = "T1C0.8") -> str:
    return "\n".join(["M48", header, tools, "%", "T1", *lines, "M30"]) + "\n"


def holes(found: DrillFile) -> list[tuple[float, float, float]]:
    return [
        (round(d.x_mm, 6), round(d.y_mm, 6), round(d.diameter_mm, 6))
        for d in found.drills
        if d.slot_to_mm is None
    ]


def slots(found: DrillFile) -> list[tuple[float, float, float, float]]:
    return [(d.x_mm, d.y_mm, *d.slot_to_mm) for d in found.drills if d.slot_to_mm is not None]


def warned(found: DrillFile) -> list[str]:
    return [p.what for p in found.problems if p.severity is Severity.WARNING]


def refusal(text: str, **reports: str) -> str:
    with pytest.raises(InputError) as caught:
        read(text, **reports)
    return str(caught.value)


# Each of these says: one hole of 0.8 mm at (10.5, -2.25) mm. The number formats are those of the XNC
# specification and of the exports of several design programs; worked out by hand.
STATED = [
    body("METRIC,TZ,000.000", "X10500Y-2250"),
    body("METRIC,TZ,0000.00", "X1050Y-225"),
    body("METRIC,LZ,000.000", "X0105Y-00225"),
    body(";FILE_FORMAT=4:4\nMETRIC,LZ", "X00105Y-000225", tools="T01F00S00C0.8000"),
    body(";FILE_FORMAT=4:4\nMETRIC,TZ", "X105000Y-22500"),
    body("METRIC", "X10.5Y-2.25"),
    body("METRIC\nM71", "X10.5Y-2.25"),
    body("METRIC,TZ", "X10.500Y-2.250"),
    body("; FORMAT={3:3/ absolute / metric / suppress leading zeros}\nMETRIC,TZ", "X10500Y-2250"),
    body("; FORMAT={3:3/ absolute / metric / suppress trailing zeros}\nMETRIC", "X0105Y-00225"),
    body("; FORMAT={3:3/ absolute / metric / keep zeros}\nMETRIC", "X010500Y-002250"),
    body("; FORMAT={-:-/ absolute / metric / decimal}\nFMAT,2\nMETRIC", "G90", "G05", "X10.5Y-2.25"),
    body("; Format  : 3.3 / Absolute / MM / Leading\nM71", "X10500Y-2250"),
    body("; FORMAT={3:3/ absolute / metric / decimal}\nMETRIC", "X10.5Y-2.25"),
    "M48\nMETRIC,TZ,000.000\n%\nT1C0.8\nX10500Y-2250\nM30\n",  # the tool after the header
    "M48\nMETRIC,TZ,000.000\nT1F200S65C0.800\nM95\nG90\nG05\nM71\nT01\nX10500Y-2250\nT00\nM30\n",
    "%\nM48\nMETRIC,TZ,000.000\nT1C.8\n%\nT1X10500Y-2250\nM30\n",
    body("METRIC,TZ,000.000", "G91", "G00X10000Y-2000", "G05", "X500Y-250"),
    body("ICI,ON\nMETRIC,TZ,000.000", "X10500Y-2250"),
    body("METRIC,TZ,000.000", "G93X5000Y0", "X5500Y-2250"),
    body("METRIC,TZ,000.000", "N10 X10500 Y-2250"),
    body("METRIC,TZ,000.000", "G05", "X10500Y-2250", tools="T0001C0.8"),
    body("METRIC,TZ,000.000", "(a remark) x10500y-2250"),
]


@pytest.mark.parametrize("text", STATED, ids=range(len(STATED)))
def test_every_stated_format_gives_the_same_hole(text: str) -> None:
    found = read(text)
    assert holes(found) == [(10.5, -2.25, 0.8)]
    assert not [w for w in warned(found) if "G93" not in w]


# One inch is 25.4 mm by definition: 0.4135 in = 10.5029 mm, -0.0885 in = -2.2479 mm, 0.0315 in = 0.8001 mm.
@pytest.mark.parametrize(
    ("header", "line"),
    [
        ("INCH,TZ,00.0000", "X4135Y-885"),
        ("INCH,LZ,00.0000", "X004135Y-000885"),
        ("INCH,LZ", "X0.4135Y-0.0885"),
        ("; FORMAT={2:4/ absolute / inch / suppress leading zeros}\nINCH,TZ", "X4135Y-885"),
        ("M72\nINCH,TZ,00.00000", "X41350Y-8850"),
    ],
)
def test_inches_become_millimetres(header: str, line: str) -> None:
    assert holes(read(body(header, line, tools="T1C0.0315"))) == [(10.5029, -2.2479, 0.8001)]


def test_coordinates_left_out_stay_as_they_were() -> None:
    found = read(body("METRIC,TZ,000.000", "X1000Y2000", "X3000", "Y5000"))
    assert holes(found) == [(1, 2, 0.8), (3, 2, 0.8), (3, 5, 0.8)]


def test_each_hole_has_the_tool_chosen_last_and_its_line() -> None:
    found = read("M48\nMETRIC\nT1C0.3\nT2C1.0\n%\nT1\nX1.Y1.\nT2\nX2.Y2.\nT1\nX3.Y3.\nT0\nM30\n")
    assert [(d.x_mm, d.diameter_mm, d.line) for d in found.drills] == [(1, 0.3, 7), (2, 1.0, 9), (3, 0.3, 11)]


def test_a_slot_by_g85_runs_from_its_first_to_its_second_place() -> None:
    found = read(body("METRIC", "X1.0Y2.0G85X4.0Y2.0", "X5.Y5.G85Y8."))
    assert slots(found) == [(1, 2, 4, 2), (5, 5, 5, 8)]
    assert not holes(found)


def test_routed_lines_are_slots_and_moves_are_not() -> None:
    lines = [
        "G00X1.Y1.",
        "M15",
        "G01X3.",
        "Y4.",
        "M16",
        "G00X10.Y10.",
        "M15",
        "G01X12.",
        "M17",
        "G05",
        "X20.Y20.",
    ]
    found = read(body("METRIC", *lines))
    assert slots(found) == [(1, 1, 3, 1), (3, 1, 3, 4), (10, 10, 12, 10)]
    assert holes(found) == [(20, 20, 0.8)]


def test_a_plunge_without_a_move_is_a_hole() -> None:
    assert holes(read(body("METRIC", "G00X7.Y8.", "M15", "M16", "G05"))) == [(7, 8, 0.8)]


def test_routing_with_the_tool_up_cuts_nothing_and_is_told() -> None:
    found = read(body("METRIC", "G00X1.Y1.", "M15", "G01X2.", "M16", "G01X9.", "G05"))
    assert slots(found) == [(1, 1, 2, 1)]
    assert any("tool up" in w for w in warned(found))
    never = read(body("METRIC", "G00X1.Y1.", "G01X2."))
    assert slots(never) == [(1, 1, 2, 1)]
    assert any("without ever lowering" in w for w in warned(never))


@pytest.mark.parametrize(
    ("command", "length_mm", "middle"),
    [
        # Quarter circles of radius 5 about (5, 0) and (0, 5) from (0, 0) to (5, 5): length 5·π/2.
        ("G02X5.Y5.A5.", 5 * math.pi / 2, (5 - 5 / math.sqrt(2), 5 / math.sqrt(2))),
        ("G03X5.Y5.A5.", 5 * math.pi / 2, (5 / math.sqrt(2), 5 - 5 / math.sqrt(2))),
        ("G02X5.Y5.I5.J0.", 5 * math.pi / 2, (5 - 5 / math.sqrt(2), 5 / math.sqrt(2))),
        # The same ends the long way round: three quarters.
        ("G03X5.Y5.I5.J0.", 3 * 5 * math.pi / 2, (5 + 5 / math.sqrt(2), -5 / math.sqrt(2))),
        ("G02X10.Y0.A5.", 5 * math.pi, (5, 5)),
        ("G03X0.Y0.I5.J0.", 10 * math.pi, (10, 0)),
    ],
)
def test_arcs_become_chords_on_their_circle(
    command: str, length_mm: float, middle: tuple[float, float]
) -> None:
    found = slots(read(body("METRIC", "G00X0.Y0.", "M15", command, "M16", "G05")))
    chords = [math.dist(s[:2], s[2:]) for s in found]
    assert sum(chords) == approx(length_mm, rel=2e-3)  # chords 0.01 mm off a 5 mm arc are 0.13 % shorter
    assert found[0][:2] == (0, 0)
    assert all(a[2:] == b[:2] for a, b in pairwise(found))
    assert min(math.dist(s[2:], middle) for s in found) < max(chords)


def test_a_repeated_hole_steps_on() -> None:
    found = read(body("METRIC,TZ,000.000", "X1000Y1000", "R3X2000Y500"))
    assert holes(found) == [(1, 1, 0.8), (3, 1.5, 0.8), (5, 2, 0.8), (7, 2.5, 0.8)]


def test_a_pattern_is_repeated_and_steps_add_up() -> None:
    found = read(body("METRIC", "M25", "X1.Y1.", "X2.Y1.", "M01", "M02X10.", "M02X10.", "M08", "X0.Y9."))
    assert [h[0] for h in holes(found)] == [1, 2, 11, 12, 21, 22, 0]
    many = read(body("METRIC", "M25", "X1.Y1.", "M01", "R4M02X2.Y0.", "M08"))
    assert [h[0] for h in holes(many)] == [1, 3, 5, 7, 9]


@pytest.mark.parametrize(
    ("head", "name", "plated"),
    [
        ("; #@! TF.FileFunction,Plated,1,2,PTH", "x.drl", True),
        ("; #@! TF.FileFunction,NonPlated,1,2,NPTH", "x.drl", False),
        (";TYPE=PLATED", "x.drl", True),
        (";TYPE=NON_PLATED", "x.drl", False),
        ("; #@! TA.AperFunction,NonPlated,NPTH,ComponentDrill", "x.drl", False),
        ("", "soil-PTH.drl", True),
        ("", "soil-NPTH.drl", False),
        ("", "Through Hole (Unplated).drl", False),
        ("", "soil.drl", None),
        ("; #@! TF.FileFunction,Plated,1,2,PTH", "soil-NPTH.drl", True),
    ],
)
def test_plating_is_told_by_attribute_then_comment_then_name(
    head: str, name: str, plated: bool | None
) -> None:
    found = read(body(head + "\nMETRIC", "X1.Y1."), name)
    assert (found.plated, found.drills[0].plated) == (plated, plated)


def test_one_file_may_hold_both_platings() -> None:
    found = read(
        "M48\nMETRIC\n;TYPE=PLATED\nT1C0.3\n;TYPE=NON_PLATED\nT2C3.2\n%\nT1\nX1.Y1.\nT2\nX2.Y2.\nM30\n"
    )
    assert found.plated is None
    assert [d.plated for d in found.drills] == [True, False]


def test_file_attributes_are_kept_without_their_dot() -> None:
    found = read(body("; #@! TF.FileFunction,Plated,1,2,PTH\nMETRIC", "X1.Y1."))
    assert found.attributes["FileFunction"] == ("Plated", "1", "2", "PTH")


def test_a_tool_table_after_the_drilling_or_in_comments_is_found() -> None:
    assert holes(read("M48\nMETRIC\n%\nT5\nX1.Y1.\nT0\nT5C0.65\nM30\n")) == [(1, 1, 0.65)]
    comment = ";   Holesize 1. = 16.000000 Tolerance = +0.000000/-0.000000 NON_PLATED MILS Quantity = 1\n"
    found = read(comment + "M48\nMETRIC,TZ,000.000\n%\nT1\nX1000Y1000\nM30\n")
    assert holes(found) == [(1, 1, 0.4064)]  # 16 mil
    assert found.plated is False


def test_a_missing_tool_is_told_once() -> None:
    text = refusal("M48\nMETRIC\n%\nT7\nX1.Y1.\nX2.Y2.\nM30\n")
    assert text.count("tool T7 has no diameter") == 1
    assert "holes.drl:5" in text
    assert "before any tool" in refusal("M48\nMETRIC\nT1C1.\nT2C2.\n%\nX1.Y1.\nM30\n")


def test_a_report_beside_the_file_gives_what_is_missing() -> None:
    text = "M48\n%\nT01\nX10500Y-2250\nM30\n"
    report = "FORMAT 3.3\nOUTPUT-UNITS METRIC\nSUPPRESS-LEAD-ZEROES YES\nSUPPRESS-TRAIL-ZEROES NO\n"
    found = read(text, nc_param__txt=report, holes__rep="Drill report\nT01 0.8mm 1x PTH\n")
    assert holes(found) == [(10.5, -2.25, 0.8)]
    assert found.drills[0].plated is True
    assert [p.severity for p in found.problems] == [Severity.NOTE, Severity.NOTE]
    assert "neither INCH nor METRIC" in refusal(text)


def test_a_report_of_several_files_speaks_for_each_of_its_own() -> None:
    report = "NC Drill report\nASCII File : a.TXT\nT1 0.3mm (12mil) 4 PTH\nASCII File : b.TXT\nT1 0.9mm (35mil) 2 NPTH\n"
    text = "M48\nMETRIC\n%\nT1\nX1.Y1.\nM30\n"
    for name, size, plated in (("a.TXT", 0.3, True), ("b.TXT", 0.9, False)):
        found = read(text, name, board__drr=report)
        assert (holes(found)[0][2], found.drills[0].plated) == (size, plated)


def test_other_files_beside_it_are_no_reports() -> None:
    text = "M48\n%\nT01C0.8\nT01\nX10500Y-2250\nM30\n"
    for name in ("readme__md", "facts__json", "other__txt"):
        assert "neither INCH nor METRIC" in refusal(text, **{name: "drill FORMAT 3.3 units metric"})


def test_an_unstated_format_is_the_customary_one_and_is_told() -> None:
    found = read("M48\nINCH\nT1C0.035\n%\nT1\nX+021319Y+007110\nX+015021Y+011311\nM30\n")
    # 2.4 inch is the customary default (common practice): 2.1319 in = 54.15026 mm.
    assert holes(found)[0][:2] == approx((54.15026, 18.0594))
    assert any("no number format is stated" in w and "2.4" in w for w in warned(found))


def test_padded_tools_tell_the_format() -> None:
    found = read("G81\nM48\nINCH\nT1C000.03500\n%\nT001\nX00038165Y00055035\nX00230000Y00161050\nM30\n")
    assert holes(found)[0][:2] == approx((9.69391, 13.97889))  # 0.38165 and 0.55035 in
    assert any("tools are written with 3.5 digits" in w for w in warned(found))


def test_an_implausible_default_gives_way_to_the_only_plausible_format() -> None:
    # Nine digits of a stated metric file: 3.3 cannot hold them, 3.6 gives 10.5 mm, 4.5 gives 105 mm, …
    lines = [
        f"X{x:09d}Y{y:09d}"
        for x, y in ((10_500_000, 2_250_000), (60_500_000, 32_250_000), (610_500_000, 250_000))
    ]
    found = read(body("METRIC", *lines))
    assert holes(found)[0][:2] == approx((10.5, 2.25))
    assert any("no number format is stated" in w and "3.6" in w for w in warned(found))


def test_what_stays_ambiguous_is_refused() -> None:
    # "X1Y1" may be 100 mm or 1 µm; nothing shows which zeros were left out.
    text = refusal(body("METRIC", "X11Y21", "X1311Y411", "X2123Y3123"))
    assert "no number format is stated" in text
    assert "Export drills with decimal points" in text


def test_zeros_that_contradict_the_header_are_told() -> None:
    found = read(body("METRIC,LZ,000.000", "X10500Y2250", "X100500Y90000"))
    assert any("leading zeros kept is stated, yet" in w for w in warned(found))


def test_contradicting_units_or_formats_are_refused() -> None:
    assert "both inch and metric" in refusal(body("INCH\nM71", "X1.Y1."))
    assert "two number formats" in refusal(body(";FILE_FORMAT=4:4\nMETRIC,TZ,000.000", "X1000Y1000"))


def test_a_file_cut_short_is_told() -> None:
    text = body("METRIC", "X1.Y1.", "X2.Y2.")
    assert any("no end of program" in w for w in warned(read(text.replace("M30\n", ""))))
    assert not warned(read(text))


@pytest.mark.parametrize(
    ("text", "say"),
    [
        ("", "is empty"),
        ("\n \n", "is empty"),
        ("hello world\n", "no Excellon drill file"),
        ("\x00\x01\xff\xfe", "no Excellon drill file"),
        ("%FSLAX46Y46*%\n%MOMM*%\nX0Y0D03*\n", "is a Gerber file"),
        (body("METRIC", "X1000000.Y0."), "no board reaches"),
        (body("METRIC", "X" + "9" * 5000), "cannot be understood"),
        (body("METRIC", "X1.Y1.Q"), None),
        (body("METRIC", "X1.2.3Y1."), "cannot be understood"),
        (body("METRIC", "X--1Y1"), "cannot be understood"),
        (body("METRIC", "XY"), "cannot be understood"),
        (body("METRIC", "X1.Y1.", tools="T1C0"), "tool diameter is 0 mm"),
        (body("METRIC", "X1.Y1.", tools="T1C90.5"), "can be drilled"),
        (body("METRIC", "X1.Y1.", "R999999999X1."), "repeats 999999999 times"),
        (body("METRIC", "R5X1."), "before there is one"),
        (body("METRIC", "M02X5."), "never begun"),
        (body("METRIC", "G84X1."), "a circle of holes"),
        (body("METRIC", "M80", "X1.Y1."), "mirrors"),
        (body("METRIC", "G00X0.Y0.", "M15", "G02X9.Y0.A1."), "cannot span"),
        (body("METRIC", "G00X0.Y0.", "M15", "G02X9.Y0."), "neither radius"),
        (body("METRIC", "G00X0.Y0.", "M15", "G02X9.Y0.I1.J0."), "off its circle"),
        (body("METRIC", "X1.Y1.G85"), "has no end"),
    ],
)
def test_bad_files_get_a_message(text: str, say: str | None) -> None:
    if say is None:
        read(text)
    else:
        message = refusal(text)
        assert say in message
        assert "holes.drl" in message


def test_all_problems_are_gathered() -> None:
    with pytest.raises(InputError) as caught:
        read(body("METRIC", "X1.2.3", "G84X1.", "XX", "M80"))
    assert [p.line for p in caught.value.problems if p.severity is Severity.ERROR] == [6, 8]
    with pytest.raises(InputError) as caught:
        read(body("METRIC", "G84X1.", "M80", "X1000000."))
    assert [p.line for p in caught.value.problems] == [6, 7, 8]


def test_repeats_that_multiply_stay_bounded() -> None:
    lines = ["M25", "X1.Y1.", "R99999X1.", "M01", "R9999M02X1.", "M08"]
    assert "past 500000 holes" in refusal(body("METRIC", *lines))


@pytest.mark.judge
@pytest.mark.parametrize(
    "text",
    [
        body("METRIC,TZ,000.000", "X10500Y-2250", "X1Y20", "X3000"),
        body("INCH,LZ,00.0000", "X004135Y-000885", "X0215", "Y01"),
        body(
            "; FORMAT={-:-/ absolute / inch / decimal}\nFMAT,2\nINCH",
            "G90",
            "G05",
            "X4.1929Y-3.2992",
            "X6.0433",
            tools="T1C0.0984",
        ),
        body("METRIC", "G05", "X1.5Y2.5", "G00X3.Y3.", "M15", "G01X4.Y5.", "M16", "G05"),
        body(
            ";FILE_FORMAT=4:4\nMETRIC,LZ", "X0000375Y0000375", "X0002675", "Y00014", tools="T1F00S00C0.2000"
        ),
    ],
    ids=range(5),
)
def test_gerbonara_sees_the_same_holes_and_slots(text: str, tmp_path: Path) -> None:
    excellon = pytest.importorskip("gerbonara.excellon")
    units = pytest.importorskip("gerbonara.utils")
    path = tmp_path / "x.drl"
    path.write_text(text)
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")
        judge = excellon.ExcellonFile.open(path)
        theirs = sorted(
            (units.MM(o.x, o.unit), units.MM(o.y, o.unit), units.MM(o.tool.diameter, o.tool.unit))
            for o in judge.drills()
        )
        their_slots = sorted(
            tuple(units.MM(v, o.unit) for v in (o.x1, o.y1, o.x2, o.y2)) for o in judge.slots()
        )
    ours = read(text)
    assert [c for h in sorted(holes(ours)) for c in h] == approx([c for h in theirs for c in h], abs=1e-6)
    assert [c for s in sorted(slots(ours)) for c in s] == approx(
        [c for s in their_slots for c in s], abs=1e-6
    )


def test_twenty_thousand_holes_are_all_read() -> None:
    lines = [f"X{(i % 200) * 1000}Y{(i // 200) * 1000}" for i in range(20_000)]
    text = body("METRIC,TZ,000.000", *lines)
    assert len(read(text).drills) == 20_000


PIECES = st.sampled_from(
    ["M48", "%", "METRIC,TZ,000.000", "INCH", "M71", "T1C0.8", "T1", "T2C.1", "X1.Y2.", "X100", "Y-05", "G85X1", "R3X1",
     "G00X1Y1", "M15", "G01X5", "G02X9Y9A9", "G03X1Y1I1J1", "M16", "G05", "G91", "G93X1Y1", "M25", "M01", "M02X1", "M08",
     ";FILE_FORMAT=4:4", ";TYPE=PLATED", "M30", "FMAT,2", "ICI,ON", "T0", "X", "R", "G", "junk", "; #@! TF", "; #@! TA.X"]
)  # fmt: skip


@settings(deadline=None, max_examples=400)
@given(lines=st.lists(st.one_of(PIECES, st.text(max_size=12)), max_size=25))
def test_any_lines_give_a_value_or_an_input_error(lines: list[str]) -> None:
    try:
        found = read_excellon("\n".join(lines).encode("utf-8", "replace"), "f.drl")
    except InputError as error:
        assert error.problems
        assert all(p.file == "f.drl" for p in error.problems)
    else:
        assert all(
            math.isfinite(d.x_mm) and math.isfinite(d.y_mm) and d.diameter_mm > 0 for d in found.drills
        )


@settings(deadline=None, max_examples=200)
@given(data=st.binary(max_size=300))
def test_any_bytes_give_a_value_or_an_input_error(data: bytes) -> None:
    try:
        read_excellon(data, "f.drl")
    except InputError as error:
        assert error.problems


SAMPLE = STATED[3].encode() + b"G00X0Y0\nM15\nG02X9Y9A9\nM16\nG05\nX1G85X2\nR2X1\n"


@settings(deadline=None, max_examples=300)
@given(
    changes=st.lists(st.tuples(st.integers(0, len(SAMPLE) - 1), st.integers(0, 255)), max_size=5),
    cut=st.integers(0, len(SAMPLE)),
)
def test_a_mutated_file_gives_a_value_or_an_input_error(changes: list[tuple[int, int]], cut: int) -> None:
    data = bytearray(SAMPLE)
    for at, value in changes:
        data[at] = value
    try:
        read_excellon(bytes(data[:cut]), "f.drl")
    except InputError as error:
        assert error.problems


def test_drills_written_as_gerber_are_read_from_their_layer() -> None:
    from pastewright.board.gerber.read import read_gerber

    text = (
        "%TF.FileFunction,Plated,1,2,PTH,Drill*%\n%FSLAX46Y46*%\n%MOMM*%\n%ADD10C,0.8*%\n%ADD11R,1X1*%\n"
        "D10*\nX10500000Y-2250000D03*\nX0Y0D02*\nG01X3000000Y0D01*\nD11*\nX0Y0D03*\nM02*\n"
    )
    found = drills_of_gerber(read_gerber(text.encode(), "pth.gbr"))
    assert holes(found) == [(10.5, -2.25, 0.8)]
    assert slots(found) == [(0, 0, 3, 0)]
    assert found.plated is True
    assert any("neither round flashes nor strokes" in w for w in warned(found))
