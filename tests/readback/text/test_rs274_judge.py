"""Move by move against an outside interpreter: `rs274` of the distribution's linuxcnc-uspace package.

It prints canonical calls in program coordinates with four decimals; offsets are added here, inches turned into
millimetres. It knows X Y Z A B C. Its manual: "rs274 -g FILE" reads the file and prints.
"""

from math import isclose
from pathlib import Path

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st
from rs274_judge import judged, needs_rs274, ours

from pastewright.profile.model import BeadFeed, Controller, DialectName, PlungerMode
from pastewright.readback.model import FindingKind
from pastewright.readback.text.interpret import ReadProgram, interpret

pytestmark = [pytest.mark.judge, needs_rs274]

NGC = Controller(
    dialect=DialectName.NGC,
    plunger_mode=PlungerMode.ABSOLUTE,
    bead_feed=BeadFeed.PATH,
    line_numbers=False,
    checksums=False,
    decimals=3,
)
HEAD = "G21 G90 G94 G17 G54 F600\nG0 X0 Y0 Z0\n"


def agree(text: str, folder: Path, *, tolerance: float) -> ReadProgram:
    taken, theirs, their_arcs = judged(text, folder)
    assert taken, "the judge refuses it"
    reading = interpret(text, NGC, plunger_letter="A")
    assert not [f for f in reading.findings if f.kind in (FindingKind.SYNTAX, FindingKind.UNKNOWN_WORD)]
    mine = ours(reading)
    assert [name for name, _ in mine] == [name for name, _ in theirs]
    for (_, a), (_, b) in zip(mine, theirs, strict=True):
        assert a == pytest.approx(b, abs=tolerance), (mine, theirs)
    for arc, (c1, c2, turns) in zip(reading.arcs.values(), their_arcs, strict=True):
        assert arc.centre_mm == pytest.approx((c1, c2), abs=20 * tolerance)
        assert (arc.turn_rad > 0) == (turns > 0)
    return reading


PROGRAMS = {
    "blanks and case": "g1x +0. 12 34y 7\n  G 1 x3\n",
    "expressions": "G1 X[2.0/3*1.5-5.5/11.0] Y[fix[-2.8]] Z[fup[-2.8]]\nG1 X[2**3**2] Y[1+2*3-4/2] Z[7 mod 3]\n"
    "G1 X[sin[30]] Y[atan[1]/[1]] Z[sqrt[2]] A[abs[-3]]\nG1 X[round[2.5]] Y[1 and 0] Z[1 xor 1] A[exp[0]]\n",
    "parameters": "#1=5 #2=[#1+1]\nG1 X#1 Y#2\n#1=7 G1 X#1\nG1 X#1 Y[-#1] A[#2*10]\n",
    "distances": "G91 G1 X1 Y2 A10\nG1 X1 Y-1 A-3\nG0 Z5\nG90 G1 X0\n",
    "inches": "G20 G1 X1 Y0.5 Z0.1 A30\nG91 X0.1 A5\nG90 G21 X10\n",
    "offsets": "G1 X10 Y10 A5\nG92 X0 Y2 A0\nG1 X1 Y1 A1\nG92.2\nG1 X1 A2\nG92.3\nG1 X1 A3\nG92.1\nG1 X2\n",
    "offsets taken up": "G0 Y2\nG92 X1\nG92.3\nG0 X0\nG92.2\nG92.2\nG0 X0\nG92.3\nG0 X0\nG92.1\nG92.3\nG0 X0\n",
    "offsets in inches": "G1 X10 A5\nG20 G92 X0 A1\nG1 X1 A2\nG21\nG1 X1\n",
    "coordinate systems": "G10 L2 P2 X10 Y5 A3\nG55 G1 X1 Y1 A1\nG54 X1 A1\nG92 X5\nG55 X1\nG53 G0 X1 Y1\nG92.1 G54\n"
    "G10 L20 P1 X100\nG1 X101\nG59.3\nG54\n",
    "arc by centre": "G1 X7 Y7\nG2 X10 Y16 I3 J4 Z9\nG3 X10 Y6 I0 J-5\n",
    "arc by radius": "G1 X1 Y1\nG2 X5 Y1 R3\nG3 X1 Y1 R-4\nG2 X3 Y3 R2 Z4 A8\n",
    "arcs in other planes": "G18 G2 X2 Z2 R3\nG3 X0 Z0 I-1 K-1\nG19 G3 Y3 Z2 R-5\nG2 Y0 Z0 R9\n",
    "arcs of whole turns": "G1 X3\nG2 X3 Y0 I-3\nG3 X3 Y0 I2 Z3\n",
    "arcs in distances": "G91 G2 X2 Y0 I1\nG3 X1 Y1 R1\nG90\n",
    "inverse time": "G93 G1 X5 F10\nX10 A30 F4\nG94 F100 X0\n",
    "dwell": "G4 P1.5\nG1 X1\nG4 P0\nG4 P.25\n",
    "numbers and comments": "N10 G1 X1 (a comment) Y2\nN20(x)G1(y)X2\nN30 G1 X3 ; the rest\n\n(only this)\n",
    "modal": "G1 X1\nX2\nY3 Z1\nG0 X0\nY0\nG1\nA5\n",
    "order on the line": "X5 G1 F200\nG91 X1 G1\nX1 G90\nG4 P1 G1 X9\nG17 G1 G21 Y3 X1\n",
}


@pytest.mark.parametrize("name", PROGRAMS)
def test_canonical_moves_agree(name, tmp_path):
    tolerance = 0.006 if "inches" in name else 2e-4
    agree(HEAD + PROGRAMS[name] + "M2\n", tmp_path, tolerance=tolerance)


def test_a_program_between_percent_signs_ends_there(tmp_path):
    reading = agree("%\n" + HEAD + "G1 X1\n%\n", tmp_path, tolerance=2e-4)
    assert reading.ended


def test_right_programs_are_accepted_and_agree(good, tmp_path):
    text = good("ngc").text
    taken, theirs, _ = judged(text, tmp_path)
    assert taken
    mine = ours(interpret(text, NGC, plunger_letter="A"))
    assert len(mine) == len(theirs) > 30
    assert mine[0][1][2] == theirs[0][1][2]
    for (name, a), (other, b) in zip(mine[2:], theirs[2:], strict=True):
        assert name == other
        assert a == pytest.approx(b, abs=2e-4)


REFUSED = [
    "G1 X1 X2",
    "G1 X",
    "G0 G1 X1",
    "G1 X1 Q",
    "G2 X1",
    "G2 X1 I5",
    "G2 X10 R1",
    "G2 X0 Y0 R5",
    "G2 X1 R1 I1",
    "G4",
    "G4 P-1",
    "G92",
    "G1 X[1/0]",
    "G1 X[1+2",
    "G1 X1 (never closed",
    "G1 X1 (a (b) c)",
    "G93 G1 X1",
    "G10 G92 X1",
    "G181",
    "G17 G18",
    "M3 M5",
    "G1 X1.2.3",
    "G1 X sqrt[-1]",
    "G80\nX1",
    "G1 X#6000",
    "G92 X1 G1",
    "G53 G91 G1 X1",
    "G10 L2 P99 X1",
    "!",
]


@pytest.mark.parametrize("line", REFUSED)
def test_what_the_judge_refuses_is_a_finding(line, tmp_path):
    text = f"{HEAD}{line}\nM2\n"
    taken, _, _ = judged(text, tmp_path)
    assert not taken, "the judge takes it"
    assert interpret(text, NGC, plunger_letter="A").findings


number = st.floats(-50, 50).map(lambda value: f"{value:.3f}")
axis_words = st.dictionaries(st.sampled_from("XYZA"), number, min_size=1, max_size=4).map(
    lambda words: " ".join(letter + value for letter, value in words.items())
)
one_line = st.one_of(
    st.tuples(st.sampled_from(["G0", "G1", "G1", "", "g 1"]), axis_words).map(" ".join),
    st.sampled_from(
        ["G90", "G91", "G17", "G18", "G19", "G92.1", "G92.2", "G92.3", "G4 P0.5", "G54", "(x)", ""]
    ),
    axis_words.map(lambda words: "G92 " + words),
    st.tuples(st.sampled_from(["G2", "G3"]), number, number, st.integers(60, 90)).map(
        lambda arc: f"{arc[0]} X{arc[1]} Y{arc[2]} R{arc[3]}"
    ),
    st.tuples(st.sampled_from(["G2", "G3"]), number).map(
        lambda arc: f"G91 G17 {arc[0]} X{arc[1]} Y0 I[{arc[1]}/2]"
    ),
    st.tuples(st.sampled_from(["P1", "P2", "P0"]), axis_words).map(
        lambda data: f"G10 L2 {data[0]} {data[1]}"
    ),
)


@settings(max_examples=30, suppress_health_check=[HealthCheck.function_scoped_fixture])
@given(lines=st.lists(one_line, min_size=1, max_size=12))
def test_made_up_programs_agree(lines, tmp_path):
    """Lines that both take; one that the judge refuses ends the comparison there."""
    text = HEAD + "G1\n"
    for line in lines:
        taken, _, _ = judged(f"{text}{line}\nM2\n", tmp_path)
        if taken:
            text += line + "\n"
    agree(text + "M2\n", tmp_path, tolerance=5e-4)


def test_the_comparison_can_fail(tmp_path):
    text = HEAD + "G1 X1\nM2\n"
    _, theirs, _ = judged(text, tmp_path)
    mine = ours(interpret(text.replace("X1\n", "X1.01\n"), NGC, plunger_letter="A"))
    assert not isclose(mine[0][1][0], theirs[0][1][0], abs_tol=1e-3)
