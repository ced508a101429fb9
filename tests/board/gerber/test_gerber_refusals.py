"""What the Gerber reader refuses, and how it says so: file, line, what, how to mend, all of it at once."""

import pytest

from pastewright.board.gerber import budget, toolbox
from pastewright.board.gerber.read import dark_area, read_gerber
from pastewright.problems import InputError, Severity

MM = "%FSLAX34Y34*%\n%MOMM*%\n"


def problems(data):
    if isinstance(data, str):
        data = data.encode()
    with pytest.raises(InputError) as refused:
        read_gerber(data, "F_Paste.gtp")
    found = refused.value.problems
    assert all(problem.file == "F_Paste.gtp" and problem.what for problem in found)
    assert all(problem.mend for problem in found if problem.severity is Severity.ERROR)
    return [problem for problem in found if problem.severity is Severity.ERROR]


def only(data):
    (problem,) = problems(data)
    return problem


@pytest.mark.parametrize(
    ("data", "word"),
    [
        (b"", "empty"),
        (b" \r\n\x1a", "empty"),
        (b"\x00\x01\x02\x03", "control bytes"),
        (b"G04 x*\nX1\x00Y2*", "control bytes"),
        (b"PK\x03\x04rest", "zip"),
        (b"%PDF-1.4", "PDF"),
        (b"\x89PNG\r\n", "PNG"),
        (b"\xff\xfeG\x000\x00", "UTF-16"),
        (b"M48\nMETRIC,LZ\nT1C0.8\n%\nT1\nX1Y1\nM30\n", "drill"),
        (b"; by hand\nM48\nINCH\n", "drill"),
        (b"%\nT1C0.03F200S100\nG05\n", "drill"),
        (b"<?xml version='1.0'?><IPC-2581/>", "XML"),
        (b"Ref,Val,Package,PosX\nC1,100n,0603,1.0\n", "no Gerber file"),
        (b"Dear reader,\n* one\n* two\n", "no Gerber file"),
    ],
)
def test_what_is_no_gerber_file_is_named_for_what_it_is(data, word):
    assert word in only(data).what


def test_an_undefined_aperture_is_told_once_with_its_line():
    problem = only(MM + "%ADD10C,1*%\nD17*\nX0Y0D03*\nX10000D03*\nM02*")
    assert problem.what == "Gerber aperture D17 is used but not defined before."
    assert problem.line == 5


def test_an_aperture_defined_only_after_its_use_is_undefined():
    assert "D10" in only(MM + "D10*X0Y0D03*%ADD10C,1*%M02*").what


def test_an_aperture_selected_but_never_drawn_with_is_no_matter():
    assert read_gerber((MM + "D17*X0Y0D02*M02*").encode(), "x").objects == ()


def test_all_problems_are_gathered_in_the_order_of_their_lines():
    found = problems(MM + "%LPX*%\n%ADD10Q,1*%\nD11*\nX0Y0D03*\nG99*\nX0Y0D08*\nfoo*\n%QQ*%\nM02*")
    assert [problem.line for problem in found] == [3, 4, 6, 7, 8, 9, 10]


@pytest.mark.parametrize(
    ("text", "word", "line"),
    [
        ("%FSLAX34Y34*%\n%ADD10C,1*%\nM02*", "unit", 2),
        ("%FSLAX34Y34*%\nX0Y0D02*\nM02*", "unit", 2),
        ("%MOMM*%\n%ADD10C,1*%\nD10*\nX0Y0D03*\nM02*", "number format", 4),
        (MM + "G70*\nM02*", "contradicts", 3),
        (MM + "%MOIN*%\nM02*", "contradicts", 3),
        (MM + "%FSLAX46Y46*%\nM02*", "changed", 3),
        ("%FSXY*%\n%MOMM*%\nM02*", "FSLAX46Y46", 1),
        ("%FSLAX34Y34*%\n%MOKM*%\nM02*", "neither", 2),
        (MM + "X99999999999Y0D02*\nM02*", "beyond the limit", 3),
        (MM + "%ADD10C,20000*%\nM02*", "the unit is probably wrong", 3),
        (MM + "%ADD10C,-1*%\nM02*", "negative", 3),
        (MM + "%ADD10C*%\nM02*", "parameters", 3),
        (MM + "%ADD10R,1*%\nM02*", "parameters", 3),
        (MM + "%ADD10C,1X*%\nM02*", "not a number", 3),
        (MM + "%ADD10P,1X2*%\nM02*", "3 to 12", 3),
        (MM + "%ADD5C,1*%\nM02*", "begin at D10", 3),
        (MM + "%ADC,1*%\nM02*", "not an aperture definition", 3),
        (MM + "%ADD10FOO,1*%\nM02*", "'FOO'", 3),
        (MM + "X0Y0D03*\nM02*", "before a Gerber aperture", 3),
        (MM + "G37*\nM02*", "never began", 3),
        (MM + "G36*\nM02*", "not closed", 3),
        (MM + "G36*\nG36*\nG37*\nM02*", "within a region", 4),
        (MM + "%ADD10C,1*%D10*G36*\nX0Y0D03*\nG37*\nM02*", "within a region", 4),
        (MM + "G36*\n%SRX2Y2I1J1*%\nG37*\nM02*", "within a region", 4),
        (MM + "%ABD12*%\nM02*", "not closed", 3),
        (MM + "%AB*%\nM02*", "never began", 3),
        (MM + "%ADD10C,1*%%ABD12*%%AB*%D12*X0Y0D02*\nX1D01*\nM02*", "cannot draw strokes", 4),
        (MM + "%SRX0Y2*%\nM02*", "repeats nothing", 3),
        (MM + "%SRX2Y2I1.1.1J0*%\nM02*", "step-and-repeat", 3),
        (MM + "%SRX2Y2I9000J0*%\nM02*", "reaches beyond", 3),
        (MM + "%LRx*%\nM02*", "no angle", 3),
        (MM + "%LS0*%\nM02*", "scale", 3),
        (MM + "%LMZ*%\nM02*", "mirroring", 3),
        (MM + "%IPNO*%\nM02*", "image polarity", 3),
        (MM + "%MIA2*%\nM02*", "0 or 1", 3),
        (MM + "%IR45*%\nM02*", "0, 90", 3),
        (MM + "%IFother.gbr*%\nM02*", "another file", 3),
        (MM + "%KOD*%\nM02*", "knocks out", 3),
        (MM + "%ADD10C,1*%\nD10*\nX0Y0D01X5*\nM02*", "twice", 5),
        (MM + "D10*\nX0Y0D03%LPD*%\nM02*", "not ended", 4),
        (MM + "%ADD10C,1*%\nD10*\nX0Y0D03*\nX100", "cut off", 6),
        (MM + "%ADD10C,1*%\n%ADD11C", "cut off", 4),
        (MM + "%SFA2B1*%G75*G02*\nG36*X0Y0D02*X1Y1I1D01*G37*M02*", "scaled differently", 4),
    ],
)
def test_each_mistake_is_told_at_its_line(text, word, line):
    found = problems(text)
    assert word in found[0].what
    assert found[0].line == line


def test_thousands_of_mistakes_do_not_make_thousands_of_lines():
    found = problems(MM + "foo*\n" * 100_000)
    assert len(found) == 101
    assert "not listed" in found[-1].what


# Small files that would fill the memory.


def test_a_step_and_repeat_bomb_is_refused():
    text = MM + "%ADD10C,1*%\n%SRX3000Y3000I0.001J0.001*%\nD10*X0Y0D03*\n%SR*%\nM02*"
    assert "objects" in only(text).what


def test_a_step_and_repeat_of_many_objects_is_refused():
    body = "D10*" + "X0Y0D03*" * 1000
    text = MM + f"%ADD10C,1*%\n%SRX1000Y900I0.001J0.001*%\n{body}\n%SR*%\nM02*"
    assert "objects" in problems(text)[0].what


def test_blocks_that_double_over_and_over_are_refused():
    text = MM + "%ADD10C,1*%%ABD11*%D10*X0Y0D03*X10000D03*%AB*%"
    for code in range(12, 60):
        text += f"%ABD{code}*%D{code - 1}*X0Y0D03*X10000D03*%AB*%\n"
    assert "more than" in only(text + "D59*X0Y0D03*M02*").what


def test_a_block_cannot_draw_itself():
    text = MM + "%ADD10C,1*%%ABD12*%\nD12*X0Y0D03*%AB*%D12*X0Y0D03*M02*"
    assert only(text).what == "Gerber aperture D12 is used but not defined before."


def test_blocks_nested_too_deep_are_refused():
    text = MM + "".join(f"%ABD{code}*%" for code in range(10, 200)) + "M02*"
    assert any("deep" in problem.what for problem in problems(text))


def test_shapes_with_too_many_corners_are_refused(monkeypatch):
    monkeypatch.setattr(budget, "MOST_CORNERS", 1000)
    text = MM + "%ADD10C,1*%D10*" + "".join(f"X{10000 * n}Y0D03*\n" for n in range(100)) + "M02*"
    assert "corners" in only(text).what


def test_a_macro_drawn_for_ever_more_apertures_is_refused(monkeypatch):
    monkeypatch.setattr(toolbox, "MOST_PRIMITIVES", 5000)
    text = (
        MM + "%AMX*" + "1,1,1,0,0*\n" * 2000 + "%" + "".join(f"%ADD{n}X*%" for n in range(10, 150)) + "M02*"
    )
    assert "macro primitives" in only(text).what


def test_a_region_that_crosses_itself_millions_of_times_is_refused():
    count = 6000
    corners = "".join(f"X{(n * 7919 % count) * 100}Y{(n * 104729 % count) * 100}D01*" for n in range(count))
    found = problems(MM + f"G36*X0Y0D02*{corners}G37*M02*")
    assert "crosses itself" in found[0].what


def test_comments_that_never_end_are_passed_over():
    for text in (MM + "G04 %G04 %" * 50_000, MM + "G04\n%" * 50_000 + "*"):
        assert read_gerber((text).encode(), "x").objects == ()
    assert problems(MM + "%" * 99_999)


def test_a_dark_area_of_twenty_thousand_alternating_objects_is_right():
    body = "%ADD10R,1X1*%%ADD11C,0.5*%" + "".join(
        f"%LPD*%D10*X{n % 100 * 20000}Y{n // 100 * 20000}D03*%LPC*%D11*X{n % 100 * 20000}Y{n // 100 * 20000}D03*\n"
        for n in range(10_000)
    )
    area = dark_area(read_gerber((MM + body + "M02*").encode(), "windows.gbr")).area
    assert area == pytest.approx(10_000 * (1 - 3.141592653589793 / 16))
