"""Runs of plain lines, read at once, say what the same lines say one by one."""

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from pastewright.profile.examples import example_text
from pastewright.profile.model import Profile
from pastewright.profile.read import parse_profile
from pastewright.readback.text import plain
from pastewright.readback.text.interpret import ReadProgram, interpret

BENCHES = {name: parse_profile(example_text(name), name) for name in ("bench-reprap-e", "bench-ngc-rotary-a")}
OPENINGS = {
    "bench-reprap-e": (
        "G21\nG90\nM82\nG92 E0\nG1 Z5 F300\n",
        "G21\nG90\nM83\nG1 Z5 F300\n",
        "G20\nG90\nM82\nG92 E0 X1\nG0 X1\n",
    ),
    "bench-ngc-rotary-a": (
        "G21 G90 G94 G17 G54\nG92 A0\nG0 Z5\n",
        "G20 G90 G94 G54\nG10 L2 P1 X3\nG92 A1\nG0 Z1\n",
    ),
}
numbers = st.decimals(-200, 200, places=3).map(str)
feeds = st.sampled_from(["", " F300", " F1200.5", " F0", " F-3"])


@st.composite
def plain_text(draw: st.DrawFn, letter: str, *, modes: bool) -> str:
    """Lines of the plain kind, most of them good."""
    lines = []
    for _ in range(draw(st.integers(18, 30))):
        kind = draw(st.integers(0, 11))
        if kind == 0:
            lines.append(f"G4 P{abs(float(draw(numbers)))}")
        elif kind == 1:
            lines.append(draw(st.sampled_from(["; pad R1.1 dot", "(a comment)", "; a (bad one", ";"])))
        elif kind == 2 and modes:
            lines.append(draw(st.sampled_from(["G93", "G94"])))
        else:
            axes = draw(st.sets(st.sampled_from(["X", "Y", "Z", letter]), min_size=1))
            words = "".join(f" {axis}{draw(numbers)}" for axis in ("X", "Y", "Z", letter) if axis in axes)
            feed = (
                draw(feeds)
                if draw(st.integers(0, 9)) == 0
                else draw(st.sampled_from(["", " F300", " F1200.5"]))
            )
            lines.append(f"G{draw(st.sampled_from(['0', '1', '01']))}{words}{feed}")
    return "\n".join(lines) + "\n"


def both_ways(text: str, bench: Profile) -> tuple[ReadProgram, ReadProgram, int]:
    """Return the text read in runs and line by line, and how many runs were read at once."""
    taken = []

    def counted(*words, **more):
        taken.append(plain_of(*words, **more))
        return taken[-1]

    plain_of = plain.plain_of
    letter = bench.plunger.letter
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(plain, "plain_of", counted)
        at_once = interpret(text, bench.controller, plunger_letter=letter)
        patch.setattr(plain, "plain_of", lambda *_, **__: None)
        one_by_one = interpret(text, bench.controller, plunger_letter=letter)
    return at_once, one_by_one, sum(run is not None for run in taken)


@pytest.mark.parametrize("name", BENCHES)
@settings(max_examples=40)
@given(data=st.data())
def test_runs_say_what_their_lines_say(name, data):
    bench = BENCHES[name]
    opening = data.draw(st.sampled_from(OPENINGS[name]))
    text = opening + data.draw(plain_text(bench.plunger.letter, modes=name == "bench-ngc-rotary-a"))
    at_once, one_by_one, _ = both_ways(text + "G91\nG1 X1 Y1\nM2\n", bench)
    # By their text, so that a place nobody stated equals itself.
    assert repr((at_once, at_once.rows)) == repr((one_by_one, one_by_one.rows))


@pytest.mark.parametrize("name", BENCHES)
def test_a_run_in_its_usual_state_is_read_at_once(name):
    bench = BENCHES[name]
    letter = bench.plunger.letter
    dots = "".join(
        f"; pad {n}\nG1 X{n} Y{n / 2} F3000\nG1 Z0.1 F600\nG1 {letter}{n + 1} F60\nG4 P1\nG1 Z1 F600\n"
        for n in range(30)
    )
    at_once, one_by_one, runs = both_ways(OPENINGS[name][0] + dots, bench)
    assert runs == 1
    assert repr(at_once.rows) == repr(one_by_one.rows)  # nan equals nothing
    assert len(at_once.rows) == 1 + 5 * 30


def test_a_bad_line_in_a_run_is_found_with_its_number():
    bench = BENCHES["bench-reprap-e"]
    text = OPENINGS["bench-reprap-e"][0] + "".join(f"G1 X{n} F300\n" for n in range(1, 30)) + "G1 X3 F0\n" * 1
    at_once, one_by_one, runs = both_ways(text, bench)
    assert runs == 0
    assert [finding.line for finding in at_once.findings] == [5 + 30]
    assert at_once.findings == one_by_one.findings
